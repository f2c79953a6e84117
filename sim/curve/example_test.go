package curve_test

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"

	"liftbank/sim/curve"
)

func ExampleReader() {
	r := curve.NewReader(strings.NewReader("time_s,battery,voltage_v,current_a,temperature_c\n0,a,12.65,0,25\n"+
		"60,a,12.31,-105,\n"), "lift.csv")
	for {
		at, err := r.Next()
		if err == io.EOF {
			return
		}
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Println(at.TimeS, at.Rows[0].VoltageV, at.Rows[0].CurrentA, at.Rows[0].TempC)
	}
	// Output:
	// 0 12.65 0 25
	// 60 12.31 -105 25
}

func ExampleWriter() {
	w := curve.NewWriter(os.Stdout)
	_ = w.Write(0.5, curve.Row{Battery: "a", VoltageV: 12.65, CurrentA: -0.02}, 98.5)
	_ = w.Write(1.5, curve.Row{Battery: "a", VoltageV: 12.64, CurrentA: -0.02}, math.NaN())
	_ = w.Flush()
	// Output:
	// time_s,battery,voltage_v,current_a,temperature_c,true_soc_pct
	// 0.5,a,12.65,-0.02,,98.5
	// 1.5,a,12.64,-0.02,,
}
