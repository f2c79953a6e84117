package main

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/pin"
	"liftbank/agent/publish"
	"liftbank/cmd/internal/access"
)

// fileReport is what check says of a file, folder or device that the configuration names.
type fileReport struct {
	Field       string       `json:"field"`
	Path        string       `json:"path"`
	Problem     string       `json:"problem,omitempty"` // why it can't be used
	Remark      string       `json:"remark,omitempty"`  // what is better put right
	Certificate *certificate `json:"certificate,omitempty"`
}

// certificate is what a certificate says of itself.
type certificate struct {
	CommonName string    `json:"common_name"`
	NotBefore  time.Time `json:"not_before"`
	NotAfter   time.Time `json:"not_after"`
}

func (f *fileReport) said() string {
	text := "OK"
	if f.Problem != "" {
		text = f.Problem
	}
	if f.Remark != "" {
		text += "; " + f.Remark
	}
	if c := f.Certificate; c != nil {
		text += fmt.Sprintf(" (%s, until %s)", c.CommonName, c.NotAfter.Format(time.DateOnly))
	}
	return text
}

// checkFiles looks at all that a configuration names.
func checkFiles(cfg *config.Config, as access.User, now time.Time) []fileReport {
	var all []fileReport
	named := cfg.Files()
	for i, f := range named {
		r := fileReport{Field: f.Field, Path: f.Path}
		switch f.Use {
		case config.Bus:
			device := busDevice(f.Path)
			if device == "" {
				continue // a name that only the driver knows: --probe opens it
			}
			r.Path = device
			r.problem(as.Device(device))
		case config.Folder:
			r.problem(as.Folder(f.Path))
		case config.Read:
			if r.problem(as.Read(f.Path)); r.Problem == "" {
				key := ""
				if f.Holds == config.Certificate && i+1 < len(named) && named[i+1].Holds == config.Key {
					key = named[i+1].Path
				}
				r.content(f, key, cfg, now)
			}
		}
		all = append(all, r)
	}
	if len(cfg.Board.Contacts) > 0 {
		all = append(all, checkLines(as))
	}
	if cfg.Power.WakeBy.Timer() {
		all = append(all, checkAlarm(clocksDir))
	}
	return all
}

// clocksDir is where Linux shows the real-time clocks.
const clocksDir = "/sys/class/rtc"

// checkAlarm looks for a clock that can wake the board. It is set by a service of the system, not by the
// agent's user.
func checkAlarm(dir string) fileReport {
	r := fileReport{Field: "power.wake_by", Path: filepath.Join(dir, "rtc*", "wakealarm")}
	found, err := filepath.Glob(r.Path)
	if err != nil {
		panic("bug: pattern: " + err.Error())
	}
	if len(found) == 0 {
		r.Problem = "not there: no real-time clock of this board can wake it; want another wake_by, or a clock whose " +
			"alarm is wired"
		return r
	}
	r.Path = found[0]
	return r
}

// problem notes the first thing that keeps a file from being used.
func (f *fileReport) problem(err error) {
	if err != nil && f.Problem == "" {
		f.Problem = err.Error()
	}
}

// busDevice returns the device of an I2C bus that is named by number or path, or "".
func busDevice(name string) string {
	if n, err := strconv.Atoi(name); err == nil {
		return fmt.Sprintf("/dev/i2c-%d", n)
	}
	if strings.HasPrefix(name, "/dev/") {
		return name
	}
	return ""
}

// checkLines looks at the devices of the board's pins; which of them has a contact's pin, only the
// driver knows.
func checkLines(as access.User) fileReport {
	r := fileReport{Field: "board.contacts", Path: "/dev/gpiochip*"}
	found, err := filepath.Glob(r.Path)
	if err != nil {
		panic("bug: pattern: " + err.Error())
	}
	if len(found) == 0 {
		r.Problem = "not there"
		return r
	}
	for _, device := range found {
		err := as.Device(device)
		if err == nil {
			return fileReport{Field: r.Field, Path: device}
		}
		r.problem(err)
	}
	return r
}

// content looks into a file, as far as this process can read it. What is in it is never repeated.
func (f *fileReport) content(named config.File, key string, cfg *config.Config, now time.Time) {
	info, err := os.Stat(named.Path)
	if err != nil {
		return
	}
	secret := named.Holds == config.Password || named.Holds == config.PIN || named.Holds == config.Key
	if secret && info.Mode().Perm()&0o004 != 0 {
		f.Remark = "everybody can read it: chmod o-r"
	}
	data, err := os.ReadFile(named.Path)
	if err != nil {
		f.Remark = "its content was not checked: this user can't read it"
		return
	}
	switch named.Holds {
	case config.Password:
		line, _, _ := bytes.Cut(data, []byte("\n"))
		if len(bytes.TrimRight(line, "\r")) == 0 {
			f.problem(errors.New("first line empty: want the password there"))
		}
	case config.PIN:
		_, err := pin.Load(named.Path)
		f.problem(err)
	case config.Checklist:
		_, err := cfg.Visits.Areas()
		f.problem(err)
	case config.Authorities:
		f.authorities(data, now)
	case config.Certificate:
		f.certificate(named, data, key, cfg, now)
	}
}

// soon is how long before its end a certificate is worth a remark: time for a visit to the unit.
const soon = 30 * 24 * time.Hour

// certificate checks the unit's own certificate against its key and the clock.
func (f *fileReport) certificate(named config.File, data []byte, key string, cfg *config.Config, now time.Time) {
	all, err := certificates(data)
	if err != nil {
		f.problem(err)
		return
	}
	leaf := all[0]
	f.Certificate = &certificate{leaf.Subject.CommonName, leaf.NotBefore, leaf.NotAfter}
	for _, c := range all {
		f.dates(c, now)
	}
	if keyData, err := os.ReadFile(key); err == nil {
		if _, err := tls.X509KeyPair(data, keyData); err != nil {
			f.problem(fmt.Errorf("with %s: %w", key, err))
		}
	}
	f.name(named, leaf, cfg)
}

// name checks whom a certificate names: of the page, the names that programs call it by; for the
// broker, the unit.
func (f *fileReport) name(named config.File, leaf *x509.Certificate, cfg *config.Config) {
	if named.Field != "http.cert_file" {
		f.problem(publish.CheckCertificate(leaf, cfg.Unit.ID, cfg.MQTT.Username))
		return
	}
	for _, host := range cfg.HTTP.HostNames {
		if err := leaf.VerifyHostname(host); err != nil {
			f.problem(fmt.Errorf("not for %s, which http.host_names has", host))
		}
	}
}

// authorities checks that at least one of the authorities can still be trusted.
func (f *fileReport) authorities(data []byte, now time.Time) {
	all, err := certificates(data)
	if err != nil {
		f.problem(err)
		return
	}
	newest := all[0]
	for _, c := range all {
		if c.NotAfter.After(newest.NotAfter) {
			newest = c
		}
	}
	f.Certificate = &certificate{newest.Subject.CommonName, newest.NotBefore, newest.NotAfter}
	f.dates(newest, now)
}

func (f *fileReport) dates(c *x509.Certificate, now time.Time) {
	day := func(t time.Time) string { return t.Format(time.DateOnly) }
	switch {
	case now.After(c.NotAfter):
		f.problem(fmt.Errorf("expired on %s by this machine's clock", day(c.NotAfter)))
	case now.Before(c.NotBefore):
		f.problem(fmt.Errorf("not valid before %s by this machine's clock (%s)", day(c.NotBefore), day(now)))
	case c.NotAfter.Sub(now) < soon:
		f.Remark = "ends soon"
	}
}

// certificates returns those in a PEM file, at least one.
func certificates(data []byte) (all []*x509.Certificate, err error) {
	for {
		var block *pem.Block
		if block, data = pem.Decode(data); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("certificate %d in it: %w", len(all)+1, err)
		}
		all = append(all, c)
	}
	if len(all) == 0 {
		return nil, errors.New("no certificate in it: want PEM")
	}
	return all, nil
}
