package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// The same chips by the kernel's own drivers: ti-ads1015 has the ADS1115s, ina2xx-adc an INA226.

const (
	iioConfig = "/iio.yaml"
	adapter   = "/sys/bus/i2c/devices/i2c-1/"
	iio       = "/sys/bus/iio/devices/"
)

// bind has a driver take a chip, and sets its ranges and rates as the rule of board-iio.yaml does.
func bind(kind string, addr int) error {
	if err := put(adapter+"new_device", fmt.Sprintf("%s %#x", kind, addr)); err != nil {
		return fmt.Errorf("bind %s: %w", kind, err)
	}
	return nil
}

func unbind(addr int) error { return put(adapter+"delete_device", fmt.Sprintf("%#x", addr)) }

// folder returns the folder of a chip's device, as in iio:device0.
func folder(addr int) (string, error) {
	for range 50 {
		found, _ := filepath.Glob(fmt.Sprintf("%s1-%04x/iio:device*", adapter, addr))
		if len(found) == 1 {
			return filepath.Base(found[0]), nil
		}
		time.Sleep(20 * time.Millisecond)
	}
	return "", fmt.Errorf("no industrial I/O device of the chip at %#x", addr)
}

// ranges sets what the driver has at first otherwise: 2.048 V and 128 conversions a second.
func ranges(addr int) error {
	dir, err := folder(addr)
	for in := range 4 {
		scale := "0.125000000"
		if addr == 0x48 && in == 2 {
			scale = "0.007813" // the driver takes six places, and reads back 0.007812500
		}
		err = errors.Join(err, put(fmt.Sprintf("%s%s/in_voltage%d_scale", iio, dir, in), scale),
			put(fmt.Sprintf("%s%s/in_voltage%d_sampling_frequency", iio, dir, in), "860"))
	}
	return err
}

func byDrivers() {
	// The chip with the higher address comes first, so that it is iio:device0.
	for _, addr := range []int{0x49, 0x48} {
		if err := errors.Join(bind("ads1115", addr), ranges(addr)); err != nil {
			fmt.Println("FAILED: drivers:", err)
			return
		}
	}
	try("iio probe", iioProbe)
	try("iio ina226", iioMonitor)
	if err := errors.Join(stopped(), os.MkdirAll(data+"/iio", 0o700)); err != nil {
		fmt.Println("FAILED: start:", err)
		return
	}
	f, err := begin(data+"/iio", "/liftbank", "run", "--config", iioConfig)
	if err != nil {
		fmt.Println("FAILED: start:", err)
		return
	}
	if _, ok := until(20*time.Second, func() bool { return usable() == channels }); !ok {
		fmt.Println("FAILED: start:", f.said())
		return
	}
	try("iio readings", iioReadings)
	try("iio runs", func() (string, error) { return countRuns(runLengths[:4]) }) // a scan of a run takes the host long
	try("iio device removed", iioRemoved)
	try("iio renumbered", iioRenumbered)
	try("iio chip absent", iioAbsent)
	fig, err := f.weigh("by iio", 30*time.Second, 0)
	if err != nil {
		fmt.Println("FAILED: iio figures:", err)
		return
	}
	table([]figure{fig})
	fmt.Println("ok: iio figures")
}

// distinct sets each channel to a value of its own, and returns what a probe must say of each.
func distinct() (map[string]float64, error) {
	const divider, full, hall = 11, 4.096, 0.0025
	err := errors.Join(pin(0, 0, 12.61/divider, full), pin(0, 1, 12.53/divider, full), pin(0, 2, -0.042/divider, 0.256),
		pin(0, 3, 3.3/divider, full), pin(1, 0, 1.65+7*hall, full), pin(1, 1, 1.65-9*hall, full), pin(1, 2, 5.5/divider, full),
		pin(1, 3, 1.1, full)) // the thermistor: 5 kΩ
	kelvin := 1 / (1/298.15 + math.Log(0.5)/3950) // from the circuit: 10 kΩ at 25 °C, B 3950 K, 10 kΩ to 3.3 V
	return map[string]float64{
		"battery_voltage_a": 12.61, "battery_voltage_b": 12.53, "battery_negative_b": -0.042, "motor_voltage": 3.3,
		"battery_current_a": 7, "battery_current_b": -9, "feed_voltage": 5.5, "battery_temperature_a": kelvin - 273.15,
	}, err
}

// oneStep is how far a value may be off: half a step of the chip at the sensor, and the rounding to print it.
var oneStep = map[string]float64{"V": 0.0015, "A": 0.055, "°C": 0.06}

var probed = regexp.MustCompile(`(?m)^\s*(\w+) +(-?[\d.]+) (V|A|°C) +(\S+)`)

func probeOf(path string, want map[string]float64) (string, error) {
	out, err := exec.Command("/liftbank", "check", "--config", path, "--probe").CombinedOutput()
	if _, is := errors.AsType[*exec.ExitError](err); err != nil && !is { // it finds the wiring odd, and rightly so
		return string(out), err
	}
	found := 0
	for _, m := range probed.FindAllStringSubmatch(string(out), -1) {
		v, _ := strconv.ParseFloat(m[2], 64)
		w, is := want[m[1]]
		if !is {
			continue
		}
		found++
		if math.Abs(v-w) > oneStep[m[3]] || m[4] != "good" {
			return string(out), fmt.Errorf("%s is %v %s, %s: want %.4f", m[1], v, m[3], m[4], w)
		}
	}
	if found != len(want) {
		return string(out), fmt.Errorf("%d of %d channels found", found, len(want))
	}
	return fmt.Sprintf("%d channels within a step of the registers", found), nil
}

func iioProbe() (string, error) {
	want, err := distinct()
	if err != nil {
		return "", err
	}
	if first, err := folder(0x49); err != nil || first != "iio:device0" {
		return "", fmt.Errorf("the chip at 49h is %s, %v: want it to be iio:device0", first, err)
	}
	return probeOf(iioConfig, want)
}

// iioMonitor has battery b's voltage and current from an INA226 that the kernel drives.
func iioMonitor() (string, error) {
	if err := errors.Join(monitor(), bind("ina226", 0x40)); err != nil {
		return "", err
	}
	defer func() { _ = unbind(0x40) }()
	text, err := os.ReadFile(iioConfig)
	if err != nil {
		return "", err
	}
	config, err := replaced(string(text),
		"    - {name: amps, kind: iio, device: 1-0049}\n", "    - {name: amps, kind: iio, device: 1-0049}\n    - {name: shunt, kind: iio, device: 1-0040}\n",
		"{signal: battery_voltage, battery: b, chip: volts, input: voltage1, step_uv: 125, scale: {kind: divider, top_ohm: 100000, bottom_ohm: 10000}}",
		"{signal: battery_voltage, battery: b, chip: shunt, input: voltage1, step_uv: 1250, full_scale_v: 36, rate_hz: 100, scale: {kind: divider, top_ohm: 0, bottom_ohm: 830000}}",
		"{signal: battery_current, battery: b, chip: amps, input: voltage1, step_uv: 125, min_a: -520, max_a: 520,\n       scale: {kind: hall, zero_v: 1.65, v_per_a: 0.0025}}",
		"{signal: battery_current, battery: b, chip: shunt, input: voltage0, step_uv: 2.5, full_scale_v: 0.08, lowest_v: -0.08, rate_hz: 100, min_a: -300, max_a: 300,\n       scale: {kind: shunt, shunt_ohm: 0.00025, gain: 1, zero_v: 0}}")
	if err != nil {
		return "", err
	}
	if err := put("/iio-shunt.yaml", config); err != nil {
		return "", err
	}
	return probeOf("/iio-shunt.yaml", monitored)
}

// monitor sets the registers of the INA226: of 2.5 µV over 0.25 mΩ, and of 1.25 mV.
func monitor() error {
	return errors.Join(put("/sys/kernel/bench/set", "4 0 -1200"), put("/sys/kernel/bench/set", "4 1 9888"))
}

var monitored = map[string]float64{"battery_current_b": -1200 * 2.5e-6 / 0.00025, "battery_voltage_b": 9888 * 1.25e-3}

// probeMonitor has the same from the agent's own driver.
func probeMonitor() (string, error) {
	text, err := os.ReadFile(config)
	if err != nil {
		return "", err
	}
	changed, err := replaced(string(text),
		"    - {name: amps, kind: ads1115, address: 0x49}\n",
		"    - {name: amps, kind: ads1115, address: 0x49}\n    - {name: shunt, kind: ina226, address: 0x40}\n",
		"      battery: b\n      chip: volts\n      input: AIN1\n      scale: {kind: divider, top_ohm: 100000, bottom_ohm: 10000}\n",
		"      battery: b\n      chip: shunt\n      input: bus\n      scale: {kind: divider, top_ohm: 0, bottom_ohm: 830000}\n",
		"      battery: b\n      chip: amps\n      input: AIN1\n      min_a: -520\n      max_a: 520\n      scale: {kind: hall, zero_v: 1.65, v_per_a: 0.0025}\n",
		"      battery: b\n      chip: shunt\n      input: shunt\n      min_a: -300\n      max_a: 300\n      scale: {kind: shunt, shunt_ohm: 0.00025, gain: 1, zero_v: 0}\n")
	if err != nil {
		return "", err
	}
	if err := errors.Join(monitor(), put("/shunt.yaml", changed)); err != nil {
		return "", err
	}
	return probeOf("/shunt.yaml", monitored)
}

// replaced replaces texts, each of which must be there.
func replaced(text string, pairs ...string) (string, error) {
	for i := 0; i < len(pairs); i += 2 {
		with := strings.Replace(text, pairs[i], pairs[i+1], 1)
		if with == text {
			return "", fmt.Errorf("no %q to replace", pairs[i])
		}
		text = with
	}
	return text, nil
}

// posts returns what the agent says of a battery's voltage and current.
func posts(battery string) (volts, amps float64) {
	volts, _ = metric(fmt.Sprintf(`liftbank_battery_volts{battery="%s"}`, battery))
	amps, _ = metric(fmt.Sprintf(`liftbank_battery_amperes{battery="%s"}`, battery))
	return volts, amps
}

// iioReadings: what changes at a pin is what the agent has in the next scan but one.
func iioReadings() (string, error) {
	for _, v := range []float64{12.2, 12.9, 12.7} {
		if err := bank(v, 0, 0); err != nil {
			return "", err
		}
		if _, ok := until(3*time.Second, func() bool {
			a, _ := posts("a")
			b, _ := posts("b")
			return math.Abs(a-v) < 0.0015 && math.Abs(b-v) < 0.0015
		}); !ok {
			a, _ := posts("a")
			return "", fmt.Errorf("battery a at %v V: want %v", a, v)
		}
	}
	return "all changes seen", stopped()
}

// iioRemoved: a device goes and comes back, first with the driver's own ranges. No value is made of those.
func iioRemoved() (text string, err error) {
	if err := unbind(0x49); err != nil {
		return "", err
	}
	gone, ok := until(5*time.Second, func() bool { return usable() <= channels-4 })
	if !ok {
		return "", fmt.Errorf("%d channels usable 5 s after", usable())
	}
	if err := bind("ads1115", 0x49); err != nil {
		return "", err
	}
	for range 5 {
		time.Sleep(time.Second)
		if n := usable(); n > channels-4 {
			return "", fmt.Errorf("%d channels usable with the ranges of the driver", n)
		}
	}
	if err := ranges(0x49); err != nil {
		return "", err
	}
	back, ok := until(5*time.Second, func() bool { return usable() == channels })
	if !ok {
		return "", fmt.Errorf("%d of %d channels usable 5 s after its return", usable(), channels)
	}
	if own, _ := senseFaults(); len(own) > 0 {
		return "", fmt.Errorf("a finding: %+v", own)
	}
	return fmt.Sprintf("seen after %.1f s, no value in the driver's own range, readings %.1f s after the range was set",
		gone.Seconds(), back.Seconds()), nil
}

// iioRenumbered: both come back in the other order while the agent runs.
func iioRenumbered() (string, error) {
	if err := errors.Join(unbind(0x48), unbind(0x49)); err != nil {
		return "", err
	}
	time.Sleep(2 * time.Second)
	for _, addr := range []int{0x48, 0x49} {
		if err := errors.Join(bind("ads1115", addr), ranges(addr)); err != nil {
			return "", err
		}
	}
	if first, err := folder(0x48); err != nil || first != "iio:device0" {
		return "", fmt.Errorf("the chip at 48h is %s, %v: want it to be iio:device0", first, err)
	}
	if err := bank(12.4, 5, 0); err != nil {
		return "", err
	}
	if _, ok := until(5*time.Second, func() bool {
		volts, amps := posts("a")
		return usable() == channels && math.Abs(volts-12.4) < 0.0015 && math.Abs(amps-5) < 0.055
	}); !ok {
		volts, amps := posts("a")
		return "", fmt.Errorf("%d channels usable, %v V, %v A: want 12.4 V and 5 A", usable(), volts, amps)
	}
	return "readings by the chips' places, whatever their numbers", stopped()
}

// iioAbsent: the device is there, and its chip does not answer to the driver.
func iioAbsent() (string, error) {
	if err := put(fault, "absent 1 1"); err != nil {
		return "", err
	}
	gone, ok := until(5*time.Second, func() bool { return usable() <= channels-4 })
	if !ok {
		return "", fmt.Errorf("%d channels usable 5 s after", usable())
	}
	if err := put(fault, "absent 1 0"); err != nil {
		return "", err
	}
	back, ok := until(5*time.Second, func() bool { return usable() == channels })
	if !ok {
		return "", fmt.Errorf("%d of %d channels usable 5 s after its return", usable(), channels)
	}
	return fmt.Sprintf("seen after %.1f s, readings back after %.1f s", gone.Seconds(), back.Seconds()), nil
}
