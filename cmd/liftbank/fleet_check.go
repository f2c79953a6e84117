//go:build !board

package main

import (
	"bytes"
	"crypto/sha256"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/fleet/authority"
)

type fleetCheckCmd struct {
	Dir  string `arg:"" name:"dir" placeholder:"DIR" help:"Folder; all files in it and below that end in .yaml are units' configurations."`
	JSON bool   `name:"json" help:"Print JSON."`
}

// Help says what is checked.
func (fleetCheckCmd) Help() string {
	return "Prints every error of every configuration with file, line and field; exit code 78. Then compares them: one unit.id " +
		"twice, one certificate or key twice, and certificates beside the configurations: another name than the unit's, another " +
		"key, not of the authority in ca_file, dates; exit code 1. A certificate that is not there is passed over where its name " +
		"is absolute: it is on the board.\n\nExample: liftbank fleet check authority/issued"
}

// fleetCheckReport is what was found.
type fleetCheckReport struct {
	Dir      string       `json:"dir"`
	OK       bool         `json:"ok"`
	Units    int          `json:"units"`
	Errors   []fieldError `json:"errors,omitempty"`   // of configurations by themselves
	Problems []fieldError `json:"problems,omitempty"` // of certificates, and of units with each other
	Remarks  []fieldError `json:"remarks,omitempty"`  // what ends soon, or could not be looked at
}

// unitConfig is one configuration of the folder.
type unitConfig struct {
	file string
	data []byte
	config.Config
}

// Run checks.
func (c fleetCheckCmd) Run(s streams) error {
	r := fleetCheckReport{Dir: c.Dir}
	units, err := c.read(&r)
	if err != nil {
		return usageError{fmt.Errorf("fleet check: %w", err)}
	}
	if r.Units = len(units); r.Units == 0 && len(r.Errors) == 0 {
		return usageError{fmt.Errorf("fleet check: %s: no file in it that ends in .yaml", c.Dir)}
	}
	r.compare(units)
	for i := range units {
		r.certificate(&units[i], time.Now())
	}
	r.sameSecret(units)
	r.OK = len(r.Errors) == 0 && len(r.Problems) == 0
	if c.JSON {
		err = writeJSON(s.out, r)
	} else {
		err = r.print(s.out)
	}
	if err == nil && !r.OK {
		err = fmt.Errorf("%d errors, %d problems", len(r.Errors), len(r.Problems))
		if len(r.Errors) > 0 {
			err = configError{err}
		}
		if c.JSON {
			err = shownError{err}
		}
	}
	return err
}

// read reads all configurations; those that are wrong become errors of the report.
func (c *fleetCheckCmd) read(r *fleetCheckReport) (units []unitConfig, err error) {
	err = filepath.WalkDir(c.Dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() || !strings.HasSuffix(path, ".yaml") {
			return nil
		}
		data, shown, err := readAll(path, nil)
		if err != nil {
			r.Errors = append(r.Errors, fieldError{File: path, Want: err.Error()})
			return nil
		}
		cfg, err := configReader(config.Check).valid(shown, data)
		if err != nil {
			r.Errors = append(r.Errors, fieldErrors(path, err)...)
			return nil
		}
		units = append(units, unitConfig{path, data, cfg})
		return nil
	})
	return units, err
}

// problem notes what is wrong with a field.
func (r *fleetCheckReport) problem(u *unitConfig, field, value, want string) {
	r.Problems = append(r.Problems, u.at(field, value, want))
}

// at is a field's place. One that the file leaves out has none.
func (u *unitConfig) at(field, value, want string) fieldError {
	return fieldError{File: u.file, Line: authority.LineOf(u.data, field), Field: field, Value: value, Want: want}
}

// compare finds names that are there twice.
func (r *fleetCheckReport) compare(units []unitConfig) {
	first := map[string]*unitConfig{}
	for i := range units {
		u := &units[i]
		if other := first[u.Unit.ID]; other != nil {
			r.problem(u, "unit.id", u.Unit.ID, fmt.Sprintf("want another: %s:%d has it", other.file,
				authority.LineOf(other.data, "unit.id")))
			continue
		}
		first[u.Unit.ID] = u
	}
}

// certificate looks at the files for the broker that are beside a configuration.
func (r *fleetCheckReport) certificate(u *unitConfig, now time.Time) {
	if u.MQTT == nil || u.MQTT.CertFile == "" {
		return
	}
	files := u.Files()
	for i, f := range files {
		if f.Field != "mqtt.ca_file" && f.Field != "mqtt.cert_file" && f.Field != "mqtt.key_file" {
			continue
		}
		data, there := r.beside(u, f)
		if !there || f.Holds == config.Key {
			continue
		}
		found := fileReport{Field: f.Field, Path: f.Path}
		if f.Holds == config.Authorities {
			found.authorities(data, now)
		} else {
			found.certificate(f, data, files[i+1].Path, &u.Config, now)
		}
		if found.Problem != "" {
			r.problem(u, f.Field, f.Path, found.Problem)
		}
		if found.Remark != "" {
			r.Remarks = append(r.Remarks, u.at(f.Field, f.Path, found.said()))
		}
	}
	r.chain(u)
}

// beside reads a file, which may be missing where its name says that it is elsewhere.
func (r *fleetCheckReport) beside(u *unitConfig, f config.File) (data []byte, there bool) {
	data, err := os.ReadFile(f.Path)
	switch {
	case err == nil:
		return data, true
	case errors.Is(err, fs.ErrNotExist) && filepath.Dir(f.Path) != filepath.Dir(u.file):
		r.Remarks = append(r.Remarks, u.at(f.Field, f.Path, "not on this machine, and so not looked at"))
	case errors.Is(err, fs.ErrNotExist) && f.Holds == config.Key:
		// It is as it should be: a key is on its board alone.
		r.Remarks = append(r.Remarks, u.at(f.Field, f.Path, "not here, and so not compared with the certificate"))
	default:
		r.problem(u, f.Field, f.Path, err.Error())
	}
	return nil, false
}

// chain checks that a unit trusts whoever signed its own certificate: the broker's is of the same
// authority.
func (r *fleetCheckReport) chain(u *unitConfig) {
	own, ownErr := certificatesIn(u.MQTT.CertFile)
	trusted, trustedErr := certificatesIn(u.MQTT.CAFile)
	if ownErr != nil || trustedErr != nil {
		return // said already, or not here
	}
	pool := x509.NewCertPool()
	for _, c := range trusted {
		pool.AddCert(c)
	}
	// Dates have been checked by themselves.
	_, err := own[0].Verify(x509.VerifyOptions{
		Roots: pool, CurrentTime: own[0].NotBefore, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	})
	if err != nil {
		r.problem(u, "mqtt.cert_file", u.MQTT.CertFile, "not of the authority in ca_file: "+err.Error())
	}
}

func certificatesIn(file string) ([]*x509.Certificate, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	return certificates(data)
}

// sameSecret finds keys that two units have: they would throw each other out, or speak for each other.
func (r *fleetCheckReport) sameSecret(units []unitConfig) {
	first := map[[sha256.Size]byte]*unitConfig{}
	for i := range units {
		u := &units[i]
		if u.MQTT == nil || u.MQTT.CertFile == "" {
			continue
		}
		all, err := certificatesIn(u.MQTT.CertFile)
		if err != nil {
			continue
		}
		key := sha256.Sum256(all[0].RawSubjectPublicKeyInfo)
		if other := first[key]; other != nil {
			r.problem(u, "mqtt.cert_file", u.MQTT.CertFile, "has the same key as that of "+other.file+": want one of its own")
			continue
		}
		first[key] = u
	}
}

func (r *fleetCheckReport) print(out io.Writer) error {
	var b bytes.Buffer
	for _, list := range [][]fieldError{r.Errors, r.Problems, r.Remarks} {
		for _, e := range list {
			b.WriteString(e.line() + "\n")
		}
	}
	fmt.Fprintf(&b, "%s: %d units, %d errors, %d problems, %d remarks\n", r.Dir, r.Units, len(r.Errors), len(r.Problems),
		len(r.Remarks))
	_, err := out.Write(b.Bytes())
	return err
}

// line returns file, line, field, value and what is accepted, as far as there are such.
func (e *fieldError) line() string {
	text := e.File
	if e.Line > 0 {
		text += fmt.Sprintf(":%d", e.Line)
	}
	for _, part := range []string{e.Field, e.Value, e.Want} {
		if part != "" {
			text += ": " + part
		}
	}
	return text
}
