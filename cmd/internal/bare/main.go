// Command bare has the duties of an agent on a board and nothing else: one message of 16 values over MQTT
// each second, the same values for Prometheus, and a page. What it needs in memory and processor time is
// what no agent of these libraries can go below; .ci/kernel measures both on one machine.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"log"
	"math"
	"net/http"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

func main() {
	broker := flag.String("broker", "tcp://127.0.0.1:1883", "where the messages go")
	listen := flag.String("listen", "127.0.0.1:8480", "address of page and metrics")
	flag.Parse()
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(*broker).SetClientID("bare"))
	if t := client.Connect(); t.Wait() && t.Error() != nil {
		log.Fatal("bare: connect: ", t.Error())
	}
	const values = 16
	var gauges [values]prometheus.Gauge
	for i := range gauges {
		gauges[i] = prometheus.NewGauge(prometheus.GaugeOpts{Name: fmt.Sprintf("bare_value_%d", i), Help: "One of 16 values."})
		prometheus.MustRegister(gauges[i])
	}
	http.Handle("/metrics", promhttp.Handler())
	http.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "<html>bare</html>") })
	go func() { log.Fatal("bare: ", http.ListenAndServe(*listen, nil)) }()
	for n := 0; ; n++ {
		message := map[string]float64{}
		for i := range gauges {
			v := math.Round(12000+700*math.Sin(float64(n+i))) / 1000
			gauges[i].Set(v)
			message[fmt.Sprintf("v%d", i)] = v
		}
		text, err := json.Marshal(message)
		if err != nil {
			log.Fatal("bare: ", err)
		}
		client.Publish("bare/values", 1, false, text).Wait()
		time.Sleep(time.Second)
	}
}
