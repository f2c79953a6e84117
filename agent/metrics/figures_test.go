package metrics_test

import (
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/snapshot"
)

// shown lists where each figure of the snapshot's JSON form is found among the metrics, and what a
// base unit of the metric is in the snapshot's unit. It is written from the snapshot's field names
// and the naming rules of Prometheus, apart from the collector, and a figure of the snapshot that
// it leaves out fails the test.
var shown = map[string]struct {
	metric string
	per    float64
}{
	"Bank.VoltageV": {"bank_volts", 1}, "Bank.CurrentA": {"bank_amperes", 1},
	"Bank.SoCPct": {"bank_soc_ratio", 100}, "Bank.SpreadPct": {"bank_soc_spread_ratio", 100},
	"Bank.RestedV": {"bank_rested_volts", 1}, "Bank.CirculatingA": {"bank_circulating_amperes", 1},
	"Bank.ParkedDrawA": {"bank_parked_draw_amperes", 1},
	"Bank.ChargedAh":   {"bank_charged_coulombs_total", 1.0 / 3600},
	"Bank.DrawnAh":     {"bank_drawn_coulombs_total", 1.0 / 3600},
	"Bank.ChargedWh":   {"bank_charged_joules_total", 1.0 / 3600},
	"Bank.DrawnWh":     {"bank_drawn_joules_total", 1.0 / 3600},
	"Bank.LiftsLeft":   {"bank_lifts_left", 1}, "Bank.TimeToFullS": {"bank_time_to_full_seconds", 1},
	"Motor.LiftAh": {"motor_lift_coulombs", 1.0 / 3600}, "Motor.LiftWh": {"motor_lift_joules", 1.0 / 3600},
	"Bank.ResistanceRatio": {"bank_resistance_ratio", 1}, "Bank.FullCycles": {"bank_full_cycles", 1},
	"Bank.AmbientC": {"ambient_celsius", 1}, "Motor.ControlV": {"motor_control_volts", 1},
	"Motor.OilBar": {"motor_oil_pressure_pascals", 1e-5}, "Feed.InputV": {"feed_input_volts", 1},
	"Battery.HealthPct": {"battery_health_ratio", 100}, "Battery.TrendMohm": {"battery_resistance_trend_ohms", 1000},
	"SinceService.RunTimeS": {"since_service_motor_run_seconds", 1},
	"SinceService.Days":     {"since_service_seconds", 1.0 / 86400}, "SinceService.DueDays": {"service_interval_seconds", 1.0 / 86400},
	"SinceService.DueRunTimeS": {"service_interval_motor_run_seconds", 1},
	"Bank.SinceFullS":          {"bank_since_full_seconds", 1},
	"Battery.RatedAh":          {"battery_rated_coulombs", 1.0 / 3600},
	"Battery.RatedCCA":         {"battery_rated_cranking_amperes", 1},
	"Battery.VoltageV":         {"battery_volts", 1}, "Battery.CurrentA": {"battery_amperes", 1},
	"Battery.TempC":  {"battery_celsius", 1},
	"Battery.SoCPct": {"battery_soc_ratio", 100}, "Battery.RestedV": {"battery_rested_volts", 1},
	"Battery.ResistanceMohm": {"battery_resistance_ohms", 1000}, "Battery.CrankingA": {"battery_cranking_amperes", 1},
	"Battery.CapacityAh":     {"battery_capacity_coulombs", 1.0 / 3600},
	"Battery.ChargedAh":      {"battery_charged_coulombs_total", 1.0 / 3600},
	"Battery.DrawnAh":        {"battery_drawn_coulombs_total", 1.0 / 3600},
	"Battery.DrawSharePct":   {"battery_discharge_share_ratio", 100},
	"Battery.ChargeSharePct": {"battery_charge_share_ratio", 100},
	"Motor.PathMohm":         {"motor_path_ohms", 1000}, "Feed.PathMohm": {"feed_path_ohms", 1000},
	"Link.ResistanceMohm": {"link_resistance_ohms", 1000},
	"Motor.RunTimeS":      {"motor_run_seconds_total", 1}, "Motor.VoltageV": {"motor_volts", 1},
	"Run.DurationS": {"motor_last_run_duration_seconds", 1}, "Run.PeakA": {"motor_last_run_peak_amperes", 1},
	"Run.MeanA": {"motor_last_run_mean_amperes", 1}, "Run.MinBankV": {"motor_last_run_min_bank_volts", 1},
	"Run.DrawnAh":   {"motor_last_run_drawn_coulombs", 1.0 / 3600},
	"Feed.VoltageV": {"feed_volts", 1}, "Feed.WakeTimeS": {"feed_wake_seconds_total", 1},
	"Feed.FeedTimeS": {"feed_present_seconds_total", 1},
	"Power.DrawA":    {"board_draw_amperes", 1}, "Power.ParkedS": {"bank_parked_seconds", 1},
	"Power.DrawnAh": {"board_parked_drawn_coulombs", 1.0 / 3600}, "Power.DrawnPct": {"board_parked_drawn_ratio", 100},
	"Power.TotalAh":    {"board_drawn_coulombs_total", 1.0 / 3600},
	"Power.StandsDays": {"bank_stands_seconds", 1.0 / 86400}, "Power.StandsWithoutDays": {"bank_stands_without_seconds", 1.0 / 86400},
	"Scan.TookS": {"scan_duration_seconds", 1}, "Snapshot.UptimeS": {"uptime_seconds", 1},
}

var estimateType = reflect.TypeFor[snapshot.Estimate]()

// draw fills every float, pointer to float and estimate below v with drawn values, and notes what
// each metric must be. A nil wish means that it must not be there.
func draw(t *rapid.T, v reflect.Value, labels string, want map[string]*float64) {
	typ := v.Type()
	for i := range typ.NumField() {
		f, field := v.Field(i), typ.Name()+"."+typ.Field(i).Name
		if notShown[field] {
			continue
		}
		where, listed := shown[field]
		value := rapid.Float64Range(0.001, 5000).Draw(t, field)
		known := rapid.Bool().Draw(t, field+" known")
		wish := func(metric string, v float64, known bool) {
			want["liftbank_"+metric+labels] = nil
			if known {
				want["liftbank_"+metric+labels] = new(v / where.per)
			}
		}
		switch {
		case f.Type() == estimateType:
			require.True(t, listed, "no metric for %s", field)
			sigma := value / 7
			wish(where.metric, value, known)
			if name, unitless := strings.CutSuffix(where.metric, "_left"); unitless {
				wish(name+"_left_sigma", sigma, known)
			} else {
				unit := where.metric[strings.LastIndex(where.metric, "_")+1:]
				wish(strings.TrimSuffix(where.metric, unit)+"sigma_"+unit, sigma, known)
			}
			f.Set(reflect.ValueOf(snapshot.Estimate{}))
			if known {
				f.Set(reflect.ValueOf(snapshot.Estimate{Value: &value, Sigma: &sigma}))
			}
		case f.Type() == reflect.TypeFor[*float64]():
			require.True(t, listed, "no metric for %s", field)
			wish(where.metric, value, known)
			f.SetZero()
			if known {
				f.Set(reflect.ValueOf(&value))
			}
		case f.Kind() == reflect.Float64:
			require.True(t, listed, "no metric for %s", field)
			wish(where.metric, value, true)
			f.SetFloat(value)
		}
	}
}

// notShown are figures of the snapshot that no metric has: they are of one scan, and the figure
// learned over many is shown instead.
var notShown = map[string]bool{
	"Power.AwakeS": true, "Power.SavingS": true, "Power.AsleepS": true, // by label, see the golden file
	"Link.CurrentA": true, "Link.DropV": true, "Link.NowMohm": true, "Motor.PathDropV": true,
	"Motor.PathNowMohm": true, "Feed.PathDropV": true, "Feed.PathNowMohm": true,
}

// Whatever figures a snapshot holds, the metrics say the same in base units, and nothing of what it
// doesn't know.
func TestEveryFigureIsTheSnapshots(t *testing.T) {
	base := sample(t, "healthy")
	rapid.Check(t, func(t *rapid.T) {
		s := *base
		s.Batteries = append([]snapshot.Battery(nil), base.Batteries...)
		run := *base.Motor.LastRun
		s.Motor.LastRun = &run
		own := *base.Power
		s.Power = &own
		want := map[string]*float64{}
		for _, part := range []any{&own, &s, &s.Scan, &s.Bank, &s.Motor, &s.Feed, &run} {
			draw(t, reflect.ValueOf(part).Elem(), "", want)
		}
		for i := range s.Batteries {
			draw(t, reflect.ValueOf(&s.Batteries[i]).Elem(), `{battery="`+s.Batteries[i].ID+`"}`, want)
		}

		s.Motor.Since = []snapshot.SinceService{{Kind: "filter"}}
		draw(t, reflect.ValueOf(&s.Motor.Since[0]).Elem(), `{kind="filter"}`, want)
		s.Links = []snapshot.Link{{Side: "negative", From: "a", To: "b"}}
		draw(t, reflect.ValueOf(&s.Links[0]).Elem(), `{from="a",side="negative",to="b"}`, want)

		got := map[string]float64{}
		for _, line := range samples(ours(t, expositionOf(&s, &clock{}))) {
			name, text, _ := cutLast(line, " ")
			v, err := strconv.ParseFloat(text, 64)
			require.NoError(t, err)
			got[name] = v
		}
		for name, w := range want {
			g, there := got[name]
			if w == nil {
				assert.False(t, there, "%s: unknown in the snapshot, metric says %v", name, g)
				continue
			}
			if assert.True(t, there, "%s: missing", name) {
				assert.InEpsilon(t, *w, g, 1e-12, name)
			}
		}
	})
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}
