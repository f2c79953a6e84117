package config

// Use is what the agent does with a file or folder that a configuration names.
type Use uint8

const (
	Read   Use = iota // reads it
	Folder            // writes into the folder, and makes it
	Bus               // opens the device
)

// File is a file, folder or device that a configuration names.
type File struct {
	Field string // such as mqtt.key_file
	Path  string // absolute, or from the current folder
	Use   Use
	Holds Content
}

// Content is what a file that is read holds.
type Content uint8

const (
	Other       Content = iota
	Password            // in its first line
	PIN                 // as liftbank pin writes it
	Certificate         // PEM, this unit's own
	Key                 // PEM, of the certificate in the field before
	Authorities         // PEM, certificates to trust
	Checklist           // of visits, as LoadChecklist reads it
)

// Files returns what the configuration names, in the order of its sections.
func (c *Config) Files() []File {
	all := []File{{"board.i2c_bus", c.Board.I2CBus, Bus, Other}}
	if m := c.MQTT; m != nil {
		all = append(all,
			File{"mqtt.password_file", m.PasswordFile, Read, Password},
			File{"mqtt.ca_file", m.CAFile, Read, Authorities},
			File{"mqtt.cert_file", m.CertFile, Read, Certificate},
			File{"mqtt.key_file", m.KeyFile, Read, Key})
	}
	all = append(all,
		File{"store.dir", c.Store.Dir, Folder, Other},
		File{"http.cert_file", c.HTTP.CertFile, Read, Certificate},
		File{"http.key_file", c.HTTP.KeyFile, Read, Key},
		File{"http.metrics_password_file", c.HTTP.MetricsPasswordFile, Read, Password},
		File{"visits.dir", c.Visits.Dir, Folder, Other},
		File{"visits.pin_file", c.Visits.PINFile, Read, PIN},
		File{"visits.checklist_file", c.Visits.ChecklistFile, Read, Checklist})
	named := all[:0]
	for _, f := range all {
		if f.Path != "" {
			named = append(named, f)
		}
	}
	return named
}
