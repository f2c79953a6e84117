package config_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/rules/detect"
	"liftbank/rules/leadacid"
)

// badFiles has for each testdata/NAME.bad.yaml everything that must be said of it, by line.
var badFiles = map[string][]string{
	"visits": {
		`15: visits.pin: unknown field: want pin_file: the PIN is never written here, liftbank pin makes the file`,
		`18: visits.checklist[0].caution: fire: want posts, platform or oil`,
		`22: visits.checklist[0].items[1].item: tight: want another: items[0] has it`,
		`23: visits.checklist[1].title: missing: want a text of up to 60 characters`,
		`23: visits.checklist[1].items: missing: want a list of 1 to 30`,
		`23: visits.checklist[1].area: battery-box: want another: checklist[0] has it`,
		`27: visits.checklist[2].items[0].rule: between: want a unit with it`,
		`28: visits.checklist[2].items[1].rule: at-lest: want at-least, at-most or between`,
		`30: visits.checklist_file: list.yaml: want checklist or checklist_file, not both`,
	},
	"power-unseen": {
		`15: power.wake_by: both: want a contact wake_line in board.contacts with it: without one the board would be switched off while the tractor charges`,
		`16: power.sleep: hibernate: want power-off or suspend`,
		`17: power.saving_after: 11d: want less than power.sleep_after (10d, the default)`,
		`18: power.sleep_below_pct: 60: want less than power.saving_below_pct (50, the default)`,
	},
	"visits-limits": {
		`17: visits.limits[1]: oil/none: want an area and an item of the checklist`,
		`18: visits.limits[2]: oil/relief-up: want min, max or both`,
		`19: visits.limits[3]: pump-motor/raise-time: want the limits of its rule: "at-most"`,
		`20: visits.limits[4]: oil/relief-down: want min below max`,
	},
	"address-twice": {
		`10: board.chips[1].address: 72: want another: chips[0] has it, and two chips can't share one on a bus`,
	},
	"address": {
		`9: board.chips[0].address: 0x28: want 0x48, 0x49, 0x4a or 0x4b`,
	},
	"alias": {
		`5: bank.batteries[0].rated_ah: alias: want plain values, sections and lists only`,
	},
	"anchor": {
		`5: bank.batteries[0].rated_ah: anchor: want plain values, sections and lists only`,
	},
	"battery-not-in-bank": {
		`14: board.channels[3].battery: b: want one of bank.batteries`,
	},
	"battery-of-unit-signal": {
		`14: board.channels[3].battery: a: want it left out: feed_voltage is of the unit, not of a battery`,
	},
	"battery-twice": {
		`6: bank.batteries[1].id: a: want another: batteries[0] has it`,
	},
	"battery-unwatched": {
		`6: bank.batteries[1].id: b: want a channel battery_voltage and one battery_current for it in board.channels`,
	},
	"block-text": {
		`2: unit.id: block of text: want plain values, sections and lists only`,
	},
	"calibration-gain-zero": {
		`11: board.channels[0].calibration.gain: 0: want 0.5 to 2`,
	},
	"calibration-offset-unit": {
		`11: board.channels[0].calibration.offset: unknown field: did you mean offset_v?`,
	},
	"chemistry": {
		`5: bank.batteries[0].chemistry: lithium: want ` + leadacid.Names(),
	},
	"chip-unknown": {
		`13: board.channels[2].chip: two: want the name of one of board.chips`,
	},
	"chip-unused": {
		`10: board.chips[1].name: two: want a channel on it, or the chip left out`,
	},
	"comment-only": {
		`1: nothing in the file: want its sections`,
	},
	"contact-level": {
		`15: board.contacts[0].active: 1: want high or low`,
		`15: board.contacts[0].pull: "off": want up, down or none`,
	},
	"contact-pin-twice": {
		`16: board.contacts[1].pin: GPIO17: want another: contacts[0] is on it`,
		`17: board.contacts[2].signal: wake_line: want another: contacts[0] has it`,
	},
	"current-range": {
		`12: board.channels[1].min_a: -100 to max_a: 220: want at least -150 to 60 A: one battery may have to carry the ` +
			`motor, and take the feed, alone`,
	},
	"divider-too-short": {
		`11: board.channels[0].scale: reaches 16.51 V: want more than 18 V (findings.series_v) at the end of the input's ` +
			`range: a bank wired in series by mistake must be seen; use a larger range or a smaller bottom_ohm`,
	},
	"duplicate-field": {
		`5: bank.batteries[0].rated_ah: written twice: want it once: it is on line 5 already`,
	},
	"duplicate-section": {
		`14: unit: written twice: want it once: it is on line 1 already`,
	},
	"duration-bare-days": {
		`15: findings.undercharged_after: 7: want a time from 1h to 90d (no unit: write 7d if it is meant in days)`,
	},
	"duration-bare": {
		`7: board.scan.rest_every: 1: want a time from 200ms to 1m (no unit: write 1s if it is meant in seconds)`,
	},
	"duration-negative": {
		`14: feed.allowance: -2m: want a time from 0s to 1h`,
	},
	"duration-unit": {
		`15: findings.rest_time: 1w: want a time from 10m to 1d (wrong unit: want ms, s, m, h or d)`,
	},
	"duration-words": {
		`15: findings.feed_lost_after: 5 minutes: want a time from 1s to 1d (write 5m)`,
	},
	"empty": {
		`1: nothing in the file: want its sections`,
	},
	"full-scale": {
		`11: board.channels[0].full_scale_v: 5: want 6.144, 4.096, 2.048, 1.024, 0.512 or 0.256 V`,
	},
	"hall-range": {
		`12: board.channels[1].scale: reaches -82.5 to 122.3 A: want at least -150 to 60 A: one battery may have to carry ` +
			`the motor, and take the feed, alone`,
	},
	"hall-zero": {
		`12: board.channels[1].scale.v_per_a: 0: want a number other than 0`,
	},
	"http": {
		`14: http.listen: "8480": want address:port, such as :8480 or 127.0.0.1:8480`,
		`14: http.host_names[0]: "lift.local:8480": want a host name without port, such as liftbank.local`,
	},
	"input-twice": {
		`12: board.channels[1].input: AIN0: want another: channels[0] is on this input of chip one`,
	},
	"input-unknown": {
		`12: board.channels[1].input: AIN4: want AIN0, AIN1, AIN2, AIN3, AIN0-AIN1, AIN0-AIN3, AIN1-AIN3 or AIN2-AIN3`,
	},
	"many": {
		`1: unit.id: LIFT: want 1 to 64 of a-z, 0-9 and -`,
		`3: bank.layout: in line: want parallel, series or series-pairs`,
		`5: bank.batteries[0].rated_ah: 95 Ah: want 20 to 400 Ah (wrong unit: write 95, a plain number: the field is in Ah)`,
		`6: bank.batteries[1].id: e: want a, b, c or d`,
		`10: board.chips[0].address: 0x50: want 0x48, 0x49, 0x4a or 0x4b`,
		`12: board.channels[0].scale.bottom_ohm: missing: want 100 to 1000000 ohm`,
		`13: board.channels[1].chip: none: want the name of one of board.chips`,
		`14: board.scan.rest_every: 1: want a time from 200ms to 1m (no unit: write 1s if it is meant in seconds)`,
		`15: http.port: unknown field: want cert_file, host_names, key_file, listen, metrics_password_file, metrics_user or pin_to_read`,
	},
	"missing-field": {
		`5: bank.batteries[0].chemistry: missing: want ` + leadacid.Names(),
	},
	"missing-list-entry": {
		`5: bank.batteries[0]: nothing: want a section: its fields in {} or on lines of their own`,
	},
	"missing-section": {
		`1: unit: missing: want a section`,
	},
	"mqtt-wire": {
		`14: mqtt.daily_kb: -5: want 0 to 1000000 kB`,
		`14: mqtt.encoding: xml: want json or senml`,
		`14: mqtt.deflate: 1: want true or false`,
		`14: mqtt.readings_every: 30: want a time from 1m to 1d (no unit: write 30h if it is meant in hours)`,
	},
	"store": {
		`14: store.max_mb: 2: want 8 to 4000 MB`,
		`14: store.minutes_for: 1h: want a time from 1d to 400d`,
		`14: store.path: unknown field: want dir, history_for, max_mb or minutes_for`,
	},
	"mqtt-empty": {
		`14: mqtt.broker: missing: want a URL of scheme tcp, ssl, mqtt or mqtts, a host and maybe a port, such as ` +
			`mqtts://broker.example:8883`,
	},
	"mqtt-files": {
		`14: mqtt.password_file: pw: want username with it`,
		`14: mqtt.cert_file: lift.pem: want key_file with it`,
	},
	"http-certificate-alone": {
		`14: http.cert_file: page.pem: want key_file with it`,
	},
	"http-metrics-user-alone": {
		`14: http.metrics_user: prometheus: want metrics_password_file with it`,
	},
	"mqtt-password-in-url": {
		`14: mqtt.broker: "tcp://…@broker.example": want a URL of scheme tcp, ssl, mqtt or mqtts, a host and maybe a ` +
			`port, such as mqtts://broker.example:8883`,
	},
	"mqtt-password": {
		`14: mqtt.password: unknown field: want password_file: a password is never written here but in a file of its own`,
	},
	"mqtt-prefix": {
		`14: mqtt.prefix: "lifts/#": want topic levels of a-z, A-Z, 0-9, - and _ with / between them`,
	},
	"mqtt-scheme": {
		`14: mqtt.broker: "http://broker.example": want a URL of scheme tcp, ssl, mqtt or mqtts, a host and maybe a port, ` +
			`such as mqtts://broker.example:8883`,
	},
	"not-a-mapping": {
		`1: a list: want sections: unit, bank, board and so on`,
	},
	"not-in-run": {
		`11: board.channels[0].in_run: no: want true or false`,
		`12: board.channels[1].in_run: false: want true: each motor run is a load test of every battery`,
	},
	"not-utf8": {
		`2: byte 0xff: want text in UTF-8`,
	},
	"ntc-pullup": {
		`13: board.channels[2].scale.pullup_ohm: equal to the thermistor at 114 °C: want it equal between -20 and 80 °C: ` +
			`check the pull-up and the thermistor's figures`,
	},
	"ntc-supply": {
		`13: board.channels[2].scale.supply_v: 5: want at most the end of the input's range (4.096 V): a cut thermistor ` +
			`puts the whole supply on the pin`,
	},
	"number-comma": {
		`15: findings.bank_low_v: 12,4: want 11.5 to 12.9 V (write 12.4, with a point)`,
	},
	"number-nan": {
		`5: bank.batteries[0].rated_ah: .nan: want 20 to 400 Ah`,
	},
	"number-quoted": {
		`5: bank.batteries[0].rated_ah: "95": want 20 to 400 Ah (write 95 without quotes)`,
	},
	"out-of-range": {
		`5: bank.batteries[0].rated_ah: -3: want 20 to 400 Ah`,
	},
	"range-of-other-unit": {
		`12: board.channels[1].min_v: unknown field: did you mean min_a?`,
	},
	"range-order": {
		`13: board.channels[2].min_c: 95: want less than max_c (90)`,
	},
	"rate": {
		`11: board.channels[0].rest_sps: 100: want 8, 16, 32, 64, 128, 250, 475 or 860 SPS`,
	},
	"run-scan-slow": {
		`9: board.chips[0]: takes 144ms for its channels in a motor run: want at most 100ms, because the start of a run ` +
			`is its load test: choose faster conversions in a run`,
	},
	"run-threshold-order": {
		`14: board.scan.run_below_a: -50: want -30 or nearer to 0: scanning must be fast at motor.min_current_a already`,
	},
	"scale-field-of-other-kind": {
		`11: board.channels[0].scale.zero_v: unknown field: want bottom_ohm, kind or top_ohm`,
	},
	"scale-of-other-signal": {
		`11: board.channels[0].scale.kind: hall: want divider`,
	},
	"scan-too-often": {
		`7: board.scan.rest_every: 100ms: want a time from 200ms to 1m`,
	},
	"scan-unreachable": {
		`10: board.chips[0]: takes 223ms for its channels: want less than board.scan.rest_every (200ms): choose faster ` +
			`conversions at rest`,
	},
	"balancer": {
		`4: bank.balancer: true: want false: only the strings of series and series-pairs have a middle`,
	},
	"mixed": {
		`4: bank.mixed: maybe: want true or false`,
	},
	"series-count": {
		`3: bank.layout: series with 3: want 2 batteries, a below b`,
	},
	"series-current-above": {
		`5: bank.batteries[0].id: a: want a channel battery_current for it in board.channels; one current sensor a string, at its lowest battery, is that of a and b`,
	},
	"series-current-range": {
		`14: board.channels[2].min_a: -70 to max_a: 70: want at least -75 to 30 A: one string may have to carry the motor, and take the feed, alone`,
	},
	"series-middle-range": {
		`15: board.channels[3].scale: reaches 4.096 V: want more than 18 V (findings.series_v) at the end of the input's range: this post stands on the positive post of battery a, at 12 to 16 V over ground; use a larger range or a smaller bottom_ohm`,
	},
	"series-no-middle": {
		`5: bank.batteries[0].id: a: want a channel battery_voltage for it in board.channels: its positive post is the middle between a and b, and without it only their sum is known`,
	},
	"series-of-four": {
		`3: bank.layout: series with 4: want 2 batteries, a below b; two pairs in parallel are series-pairs`,
	},
	"series-order": {
		`5: bank.batteries[0].id: b: want a: the batteries of a series bank are listed from a on, and a string from the bank's minus to its plus: a below b, c below d`,
	},
	"series-pairs-of-two": {
		`3: bank.layout: series-pairs with 2: want 4 batteries, a below b and c below d`,
	},
	"series-tap-short": {
		`13: board.channels[1].scale: reaches 27.03 V: want more than 36 V (2 times findings.series_v) at the end of the input's range: more than the voltage of a whole string must be seen, at a tap on the wrong post too; use a larger range or a smaller bottom_ohm`,
		`15: board.channels[3].max_v: 32: want more than 36 V (2 times findings.series_v): more than the voltage of a whole string must be seen, at a tap on the wrong post too`,
	},
	"signal-twice": {
		`14: board.channels[3].signal: battery_voltage: want another signal or battery: channels[0] measures ` +
			`battery_voltage_a`,
	},
	"syntax": {
		`2: not YAML: ',' or '}' must be specified`,
	},
	"tab": {
		`3: not YAML: found character '\t' that cannot start any token`,
	},
	"tag": {
		`5: bank.batteries[0].rated_ah: tag: want plain values, sections and lists only`,
	},
	"thresholds-order-feed": {
		`14: findings.bank_low_clear_v: 13: want less than feed.present_v (12.9, line 15)`,
	},
	"thresholds-order-times": {
		`14: findings.rest_time: 12h: want less than findings.undercharged_after (6h, line 14)`,
	},
	"thresholds-order-limits": {
		`15: findings.share_ratio: 1.05: want more than findings.share_clear_ratio (1.06, the default)`,
		`16: findings.circulating_a: 0.2: want more than findings.circulating_clear_a (0.3, the default)`,
		`17: findings.hot_c: 45: want more than findings.hot_clear_c (47, the default)`,
		`18: findings.overrun_run: 4s: want more than findings.overrun_relief (5s, the default)`,
		`19: findings.balance_under_pct: 55: want more than findings.undercharged_soc_pct (60, the default)`,
		`20: findings.link_mohm: 1500: want 0.2 to 20 mΩ`,
		"21: findings.out_of_service[0]: feed-lots: want the name of a finding: " + namesOfFindings(),
		`22: service.lift_cycles: -1: want a whole number from 0 to 1000000`,
	},
	"thresholds-order": {
		`14: findings.bank_low_v: 12.6: want less than findings.bank_low_clear_v (12.5, line 14)`,
	},
	"too-many-batteries": {
		`4: bank.batteries: a list of 5: want a list of 1 to 4`,
	},
	"two-documents": {
		`15: a second document: want one document in a file`,
	},
	"unit-id": {
		`1: unit.id: Lift 7: want 1 to 64 of a-z, 0-9 and -`,
	},
	"unit-in-number": {
		`5: bank.batteries[0].rated_ah: 95 Ah: want 20 to 400 Ah (wrong unit: write 95, a plain number: the field is in Ah)`,
	},
	"unit-in-voltage": {
		`15: findings.bank_low_v: 12.4V: want 11.5 to 12.9 V (wrong unit: write 12.4, a plain number: the field is in V)`,
	},
	"unit-kilo-ohm": {
		`11: board.channels[0].scale.top_ohm: 100 kΩ: want 0 to 10000000 ohm (wrong unit: write 100000, a plain number: ` +
			`the field is in ohm)`,
	},
	"unit-milli": {
		`15: findings.bank_low_v: 12400 mV: want 11.5 to 12.9 V (wrong unit: write 12.4, a plain number: the field is in V)`,
	},
	"unit-other-quantity": {
		`5: bank.batteries[0].rated_ah: 1200 Wh: want 20 to 400 Ah (wrong unit: write a plain number: the field is in Ah)`,
	},
	"unknown-field-near": {
		`5: bank.batteries[0].rated_ah: missing: want 20 to 400 Ah`,
		`5: bank.batteries[0].ratedah: unknown field: did you mean rated_ah?`,
	},
	"transducer": {
		`14: board.channels[2].battery: a: want it left out: feed_input is of the unit, not of a battery`,
		`15: board.channels[3].scale.kind: hall: want divider`,
		`16: board.channels[4].scale.full_scale_v: 4.5: want it below the end of the input's range (4.096 V) by 8 % of the ` +
			`span: beyond it a broken wire shows; use a divider`,
		`17: board.channels[5].scale.supply_v: missing: want 1.8 to 5.5 V`,
	},
	"transducer-scale": {
		`13: board.channels[2].scale.full_scale_bar: 160: want more than oil.relief_up_bar (170)`,
		`14: oil.relief_down_bar: -1: want 0 to 1000 bar`,
	},
	"unknown-field": {
		`5: bank.batteries[0].rated_ah: missing: want 20 to 400 Ah`,
		`5: bank.batteries[0].rated_amphours: unknown field: want chemistry, id, rated_ah or rated_cca`,
	},
	"unknown-section": {
		`14: battery: unknown field: want bank, board, counter, feed, findings, http, motor, mqtt, oil, power, service, store, unit or visits`,
	},
	"voltage-range-too-short": {
		`11: board.channels[0].max_v: 16: want more than 18 V (findings.series_v): a bank wired in series by mistake must ` +
			`be seen`,
	},
	"wrong-type-list": {
		`8: board.chips: a section: want a list of 1 to 8`,
	},
	"wrong-type-number": {
		`5: bank.batteries[0].rated_ah: a list: want 20 to 400 Ah`,
	},
	"wrong-type-section": {
		`1: unit: lift-7: want a section: its fields on lines of their own, indented`,
	},
}

func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/*.bad.yaml")
	require.NoError(t, err)
	assert.Len(t, files, len(badFiles), "each bad file is in the table")
	for name, want := range badFiles {
		t.Run(name, func(t *testing.T) {
			file := name + ".bad.yaml"
			data, err := os.ReadFile(filepath.Join("testdata", file))
			require.NoError(t, err)
			got, err := config.Parse(file, data)
			assert.Zero(t, got, "no config beside an error")
			var all config.Errors
			require.True(t, errors.As(err, &all), "%v", err)
			var lines []string
			for _, one := range all {
				lines = append(lines, strings.TrimPrefix(one.Error(), file+":"))
			}
			assert.Equal(t, want, lines)
		})
	}
}

// namesOfFindings returns every finding's name, as a list in a message.
func namesOfFindings() string {
	var names []string
	for _, d := range detect.Catalog() {
		names = append(names, d.Name)
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " or " + names[last]
}
