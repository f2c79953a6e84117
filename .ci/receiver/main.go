// Command receiver takes remote write 1.0 and 2.0 by Prometheus' own handler into Prometheus' own store, and answers
// instant queries by Prometheus' own engine. It is for tests, and a module of its own: what it is made of must not join
// the list of parts of the program. The whole of Prometheus would bring a few hundred packages more.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"os/signal"
	"strconv"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/exp/api/remote"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/prometheus/promql"
	write "github.com/prometheus/prometheus/storage/remote"
	"github.com/prometheus/prometheus/tsdb"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx); err != nil {
		fmt.Fprintln(os.Stderr, "receiver:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context) (err error) {
	listen := flag.String("listen", "127.0.0.1:9090", "address")
	dir := flag.String("dir", "", "folder of the store")
	window := flag.Duration("window", 0, "how late samples may be: out_of_order_time_window")
	accept := flag.String("accept", "both", "versions of remote write: 1.0, 2.0 or both; the other is answered with 415")
	flag.Parse()
	messages := map[string]remote.MessageTypes{
		"1.0": {remote.WriteV1MessageType}, "2.0": {remote.WriteV2MessageType},
		"both": {remote.WriteV1MessageType, remote.WriteV2MessageType},
	}[*accept]
	if messages == nil || *dir == "" {
		return errors.New("want -dir, and -accept 1.0, 2.0 or both")
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	o := tsdb.DefaultOptions()
	o.OutOfOrderTimeWindow = window.Milliseconds()
	store, err := tsdb.Open(*dir, log, nil, o, nil)
	if err != nil {
		return err
	}
	store.DisableCompactions() // one that begins as a request is written makes this release of the store panic now and then
	defer func() { err = errors.Join(err, store.Close()) }()
	const most = 5_000_000 // samples of a query
	engine := promql.NewEngine(promql.EngineOpts{Logger: log, MaxSamples: most, Timeout: time.Minute, EnableAtModifier: true})
	defer engine.Close()

	mux := http.NewServeMux()
	mux.Handle("POST /api/v1/write", write.NewWriteHandler(log, prometheus.NewRegistry(), store, messages, false, false))
	mux.HandleFunc("GET /-/ready", func(http.ResponseWriter, *http.Request) {})
	mux.HandleFunc("GET /api/v1/query", func(w http.ResponseWriter, r *http.Request) {
		at, err := strconv.ParseFloat(r.FormValue("time"), 64)
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		q, err := engine.NewInstantQuery(r.Context(), store, nil, r.FormValue("query"), time.UnixMilli(int64(at*1000)))
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		defer q.Close()
		result := q.Exec(r.Context())
		if result.Err != nil {
			http.Error(w, result.Err.Error(), http.StatusUnprocessableEntity)
			return
		}
		answer := map[string]any{"status": "success", "data": map[string]any{"resultType": result.Value.Type(), "result": result.Value}}
		if err := json.NewEncoder(w).Encode(answer); err != nil {
			log.Warn("answer", "err", err)
		}
	})
	server := &http.Server{Addr: *listen, Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	context.AfterFunc(ctx, func() { _ = server.Close() })
	if err := server.ListenAndServe(); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}
