//go:build !board

package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"

	"liftbank/agent/fleet/authority"
)

const oneDay = 24 * time.Hour

type fleetAuthorityCmd struct {
	Init       authorityInitCmd       `cmd:"" help:"Make the fleet's certificate authority in a folder."`
	Renew      authorityRenewCmd      `cmd:"" help:"Make new certificates for names that had one."`
	Revoke     authorityRevokeCmd     `cmd:"" help:"Revoke all certificates of a name, and renew the broker's list."`
	List       authorityListCmd       `cmd:"" help:"List certificates: whose, until when, revoked; exit code 1 if one ends soon."`
	Passphrase authorityPassphraseCmd `cmd:"" help:"Encrypt the authority's key with a passphrase, another one, or none."`
}

// Help says what there is.
func (fleetAuthorityCmd) Help() string {
	return "The authority is a folder: its certificate (ca.pem), its key (ca.key), an index of all that was issued and " +
		"revoked, and the list of revoked certificates for the broker (revoked.pem). Whoever has the key can enrol anything. " +
		"Encrypt it with a passphrase, keep the folder offline, and a copy of it elsewhere.\n\n" +
		"Example: liftbank fleet authority init --dir authority"
}

type authorityInitCmd struct {
	Dir  string `required:"" placeholder:"DIR" help:"Folder of the authority; made if it is not there."`
	Name string `default:"liftbank fleet authority" placeholder:"TEXT" help:"Its name in certificates."`
	Days int    `default:"7300" help:"How long its own certificate is good, in days."`

	Passphrase     bool   `help:"Encrypt the key with a passphrase, asked for twice on the terminal."`
	PassphraseFile string `placeholder:"FILE" help:"Encrypt the key with the passphrase in the first line of this file."`
}

// Help gives an example.
func (authorityInitCmd) Help() string {
	return "Makes a key (ECDSA P-256, readable for you alone), the authority's certificate, an index and an empty list of " +
		"revoked certificates. An encrypted key is PKCS #8 with PBES2 (PBKDF2, HMAC-SHA-256, AES-256), as openssl reads it. " +
		"A passphrase that is forgotten can't be had back, and nothing can be enrolled, renewed or revoked without it.\n\n" +
		"Example: liftbank fleet authority init --dir authority --passphrase"
}

// Run makes the authority.
func (c authorityInitCmd) Run(s streams) error {
	a := authorityIn(c.Dir)
	switch {
	case c.Passphrase && c.PassphraseFile != "":
		return usageError{errors.New("--passphrase, --passphrase-file: want one of them")}
	case c.Passphrase:
		a.Passphrase = func() (string, error) { return newPassphrase(s) }
	case c.PassphraseFile != "":
		a.Passphrase = func() (string, error) { return passphraseIn(c.PassphraseFile) }
	}
	err := a.Init(s.ctx, c.Name, time.Duration(c.Days)*oneDay)
	if err != nil {
		return fmt.Errorf("authority: %w", err)
	}
	state, err := a.Look()
	if err != nil {
		return fmt.Errorf("authority: %w", err)
	}
	if a.Passphrase == nil {
		fmt.Fprintf(s.err, "%s has no passphrase: who reads it can enrol anything; liftbank fleet authority passphrase --dir %s sets one\n",
			filepath.Join(c.Dir, authority.KeyFile), c.Dir)
	}
	_, err = fmt.Fprintf(s.out, "%s: %s, until %s\n", c.Dir, state.Name, state.NotAfter.Format(time.DateOnly))
	return err
}

func authorityIn(dir string) *authority.Authority {
	return &authority.Authority{Dir: dir, Now: time.Now}
}

// keyFlags are of all commands that use the authority's key.
type keyFlags struct {
	PassphraseFile string `placeholder:"FILE" help:"Passphrase of the authority's key, in the first line of this file; without it, an encrypted key has it asked for on the terminal."`
}

// in returns the authority in a folder, which asks for its passphrase if its key has one.
func (k keyFlags) in(dir string, s streams) *authority.Authority {
	a := authorityIn(dir)
	a.Passphrase = func() (string, error) {
		if k.PassphraseFile != "" {
			return passphraseIn(k.PassphraseFile)
		}
		terminal, ok := terminalOf(s)
		if !ok {
			return "", fmt.Errorf("%w: --passphrase-file, or run this on a terminal", authority.ErrNeedsPassphrase)
		}
		return hiddenLine(s, terminal, "passphrase of the authority's key: ")
	}
	return a
}

func terminalOf(s streams) (fd int, is bool) {
	f, ok := s.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return 0, false
	}
	return int(f.Fd()), true
}

// passphraseIn reads a passphrase from a file that nobody else can read.
func passphraseIn(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("passphrase: %w", err)
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil {
		return "", fmt.Errorf("passphrase: %w", err)
	} else if info.Mode().IsRegular() && info.Mode().Perm()&0o077 != 0 {
		return "", fmt.Errorf("passphrase: %s: mode %#o: others can read it: chmod 600 %s", path, info.Mode().Perm(), path)
	}
	const most = 4096
	line, err := bufio.NewReader(io.LimitReader(f, most)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("passphrase: %w", err)
	}
	if line = strings.TrimRight(line, "\r\n"); line == "" {
		return "", fmt.Errorf("passphrase: %s: nothing in its first line", path)
	}
	return line, nil
}

// newPassphrase asks for a passphrase on the terminal twice.
func newPassphrase(s streams) (string, error) {
	terminal, ok := terminalOf(s)
	if !ok {
		return "", errors.New("passphrase: want a terminal to ask on, or a file that has it")
	}
	text, err := hiddenLine(s, terminal, "new passphrase: ")
	if err == nil {
		err = authority.CheckPassphrase(text)
	}
	if err != nil {
		return "", err
	}
	again, err := hiddenLine(s, terminal, "the same again: ")
	if err == nil && again != text {
		err = errors.New("passphrase: not the same twice: nothing was changed")
	}
	return text, err
}

type authorityPassphraseCmd struct {
	Dir string `required:"" placeholder:"DIR" help:"Folder of the authority."`
	keyFlags
	NewPassphraseFile string `placeholder:"FILE" help:"The new passphrase, in the first line of this file; without it, it is asked for twice on the terminal."`
	None              bool   `help:"Leave the key without a passphrase."`
}

// Help gives an example.
func (authorityPassphraseCmd) Help() string {
	return "Writes the key anew, in one step. Copies and backups of the folder keep the passphrase that they had: delete what has " +
		"a weak one.\n\nExample: liftbank fleet authority passphrase --dir authority"
}

// Run changes the passphrase.
func (c authorityPassphraseCmd) Run(s streams) error {
	if c.None && c.NewPassphraseFile != "" {
		return usageError{errors.New("--none, --new-passphrase-file: want one of them")}
	}
	a := c.in(c.Dir, s)
	if err := a.Unlock(); err != nil { // before a new one is asked for
		return fmt.Errorf("passphrase: nothing was changed: %w", err)
	}
	text, err := "", error(nil)
	switch {
	case c.None:
	case c.NewPassphraseFile != "":
		text, err = passphraseIn(c.NewPassphraseFile)
	default:
		text, err = newPassphrase(s)
	}
	if err == nil {
		err = a.SetPassphrase(s.ctx, text)
	}
	if err != nil {
		return fmt.Errorf("passphrase: nothing was changed: %w", err)
	}
	how := "encrypted"
	if c.None {
		how = "not encrypted"
	}
	_, err = fmt.Fprintf(s.out, "%s: %s\n", filepath.Join(c.Dir, authority.KeyFile), how)
	return err
}

// issueFlags are of all commands that make certificates.
type issueFlags struct {
	Dir   string `required:"" placeholder:"DIR" help:"Folder of the authority."`
	Out   string `placeholder:"DIR" help:"Folder that gets one folder for each name; default issued in the authority's."`
	Group string `placeholder:"GROUP" help:"Let this group read the keys (mode 0640); default: you alone (0600)."`
	keyFlags
}

func (f *issueFlags) out() string {
	if f.Out != "" {
		return f.Out
	}
	return filepath.Join(f.Dir, "issued")
}

func (f *issueFlags) owner() (authority.Owner, error) {
	if f.Group == "" {
		return authority.Owner{Group: -1}, nil
	}
	g, err := user.LookupGroup(f.Group)
	if err != nil {
		return authority.Owner{}, usageError{fmt.Errorf("--group %s: not on this machine: want one of its groups", f.Group)}
	}
	gid, err := strconv.Atoi(g.Gid)
	if err != nil {
		return authority.Owner{}, usageError{fmt.Errorf("--group %s: id %s: want a number", f.Group, g.Gid)}
	}
	return authority.Owner{Group: gid}, nil
}

// write writes what was made for each name.
func (f *issueFlags) write(out io.Writer, made []authority.Issued, owner authority.Owner, configs map[string][]byte) error {
	if err := os.MkdirAll(f.out(), 0o755); err != nil {
		return err
	}
	var errs []error
	for _, m := range made {
		files, err := authority.Write(f.out(), m, configs[m.Name], owner)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		for i := range files {
			files[i] = filepath.Base(files[i])
		}
		fmt.Fprintf(out, "%s: %s until %s, in %s: %s\n", m.Name, m.Kind, m.NotAfter.Format(time.DateOnly),
			filepath.Join(f.out(), m.Name), strings.Join(files, ", "))
	}
	return errors.Join(errs...)
}

type fleetEnrolCmd struct {
	Units []string `arg:"" optional:"" name:"unit" help:"Names of units: unit.id of their configurations."`
	issueFlags
	Template string   `placeholder:"FILE" help:"A unit's configuration; each unit gets it with its name and its certificate's files filled in."`
	Broker   string   `placeholder:"URL" help:"Broker for the configurations, instead of the template's."`
	Service  []string `placeholder:"NAME" help:"Another client of the broker: fleet.collector or fleet.reader, or one that the broker's rights name."`
	Server   []string `placeholder:"HOST" help:"A server, by its host names and addresses, separated by commas; the first is its name."`
	Days     int      `help:"How long the certificates are good, in days; default 1825, of servers 730."`
}

// Help gives examples.
func (fleetEnrolCmd) Help() string {
	return "Each name gets a folder with its key, its certificate and the authority's; a unit with a template gets its " +
		"configuration, too. Copy the folder of a unit to /etc/liftbank on its board. Keys are not kept by the authority: " +
		"delete the folder here afterwards. Nothing is made if one name is refused or has a certificate already.\n\n" +
		"Example: liftbank fleet enrol t-1042 t-1043 --dir authority --template unit.yaml --broker mqtts://broker.example\n\n" +
		"Example: liftbank fleet enrol --server broker.example,192.0.2.7 --dir authority"
}

// Run enrols.
func (c fleetEnrolCmd) Run(s streams) error {
	owner, err := c.owner()
	if err != nil {
		return err
	}
	wanted, err := c.wanted()
	if err != nil {
		return usageError{err}
	}
	configs, err := c.configs(s.in)
	if err != nil {
		return err
	}
	made, err := c.in(c.Dir, s).Issue(s.ctx, wanted)
	if err != nil {
		return fmt.Errorf("enrol: nothing was made: %w", err)
	}
	return c.write(s.out, made, owner, configs)
}

func (c *fleetEnrolCmd) wanted() (all []authority.Request, err error) {
	valid := func(byDefault time.Duration) time.Duration {
		if c.Days != 0 {
			return time.Duration(c.Days) * oneDay
		}
		return byDefault
	}
	var errs []error
	for _, name := range c.Units {
		errs = append(errs, authority.CheckUnit(name))
		all = append(all, authority.Request{Kind: authority.Unit, Name: name, Valid: valid(authority.ClientValid)})
	}
	for _, name := range c.Service {
		all = append(all, authority.Request{Kind: authority.Service, Name: name, Valid: valid(authority.ClientValid)})
	}
	if len(c.Server) > 0 {
		all = append(all, authority.Request{
			Kind: authority.Server, Name: c.Server[0], Hosts: c.Server[1:], Valid: valid(authority.ServerValid),
		})
	}
	switch {
	case len(all) == 0:
		errs = append(errs, errors.New("nobody to enrol: want names of units, --service or --server"))
	case c.Template == "" && c.Broker != "":
		errs = append(errs, errors.New("--broker: want --template with it"))
	case c.Template != "" && len(c.Units) == 0:
		errs = append(errs, errors.New("--template: want names of units with it"))
	}
	return all, errors.Join(errs...)
}

// configs fills in the template for every unit. A configuration that is there already is somebody's
// work: it is not written over.
func (c *fleetEnrolCmd) configs(stdin io.Reader) (map[string][]byte, error) {
	if c.Template == "" {
		return nil, nil
	}
	data, shown, err := readAll(c.Template, stdin)
	if err != nil {
		return nil, usageError{fmt.Errorf("--template: %w", err)}
	}
	t, err := authority.ReadTemplate(shown, data, c.Broker)
	if err != nil {
		return nil, usageError{fmt.Errorf("--template: %w", err)}
	}
	all := map[string][]byte{}
	var errs []error
	for _, name := range c.Units {
		path := filepath.Join(c.out(), name, authority.ConfigFile)
		if _, err := os.Lstat(path); err == nil {
			errs = append(errs, fmt.Errorf("%s: is there already: move it away, or leave out --template", path))
			continue
		}
		if all[name], err = t.Fill(name); err != nil {
			errs = append(errs, fmt.Errorf("--template: %w", err))
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, usageError{err}
	}
	return all, nil
}

type authorityRenewCmd struct {
	Names []string `arg:"" name:"name" help:"Units, services or servers."`
	issueFlags
	NewKey bool `name:"new-key" help:"Make a new key, too. Without it the owner keeps the key that it has."`
	Days   int  `help:"How long the certificates are good, in days; default as long as the ones before."`
}

// Help gives an example.
func (authorityRenewCmd) Help() string {
	return "The certificate before stays good until it ends: put the new one in its place when somebody is there. A unit reads " +
		"it at its next connection.\n\nExample: liftbank fleet authority renew t-1042 --dir authority"
}

// Run renews.
func (c authorityRenewCmd) Run(s streams) error {
	owner, err := c.owner()
	if err != nil {
		return err
	}
	made, err := c.in(c.Dir, s).Renew(s.ctx, c.Names, c.NewKey, time.Duration(c.Days)*oneDay)
	if err != nil {
		return fmt.Errorf("renew: nothing was made: %w", err)
	}
	return c.write(s.out, made, owner, nil)
}

type authorityRevokeCmd struct {
	Names []string `arg:"" optional:"" name:"name" help:"Units, services or servers; without one, only the list is renewed."`
	Dir   string   `required:"" placeholder:"DIR" help:"Folder of the authority."`
	keyFlags
	Next int `placeholder:"DAYS" help:"Days until the list ends; default when the authority does. When it has ended, the broker refuses everybody."`
}

// Help gives an example.
func (authorityRevokeCmd) Help() string {
	return "Writes revoked.pem. Copy it to the broker and have it read again (SIGHUP); connections that are open stay open " +
		"until the broker is restarted.\n\nExample: liftbank fleet authority revoke t-1042 --dir authority"
}

// Run revokes.
func (c authorityRevokeCmd) Run(s streams) error {
	if c.Next < 0 {
		return usageError{fmt.Errorf("--next: %d: want days from now", c.Next)}
	}
	a := c.in(c.Dir, s)
	all, err := a.Revoke(s.ctx, c.Names, time.Duration(c.Next)*oneDay)
	if err != nil {
		return fmt.Errorf("revoke: nothing was changed: %w", err)
	}
	for _, e := range all {
		fmt.Fprintf(s.out, "%s: %s %s revoked\n", e.Name, e.Kind, e.Serial)
	}
	state, err := a.Look()
	if err != nil {
		return fmt.Errorf("authority: %w", err)
	}
	_, err = fmt.Fprintf(s.out, "%s: ends %s; copy it to the broker and reload that\n",
		filepath.Join(c.Dir, authority.RevokedFile), state.ListNext.Format(time.DateOnly))
	return err
}

type authorityListCmd struct {
	Dir  string `required:"" placeholder:"DIR" help:"Folder of the authority; its key is not needed."`
	Days int    `default:"60" help:"What ends within this many days is worth a warning."`
	All  bool   `help:"Every certificate, not only the newest of each name."`
	JSON bool   `name:"json" help:"Print JSON."`
}

// Help gives an example.
func (authorityListCmd) Help() string {
	return "Exit code 1 if a certificate that is not revoked has ended or ends soon, or the authority's own, or the broker's " +
		"list: for a timer that tells somebody.\n\nExample: liftbank fleet authority list --dir authority --days 90"
}

// listedCertificate is one row.
type listedCertificate struct {
	Name     string     `json:"name"`
	Kind     string     `json:"kind"`
	Hosts    []string   `json:"hosts,omitempty"`
	Serial   string     `json:"serial"`
	Issued   time.Time  `json:"issued"`
	NotAfter time.Time  `json:"not_after"`
	Revoked  *time.Time `json:"revoked,omitempty"`
	State    string     `json:"state"`
}

// listReport is what list prints.
type listReport struct {
	Authority    string              `json:"authority"`
	NotAfter     time.Time           `json:"not_after"`
	ListNext     time.Time           `json:"list_ends"`
	Problems     []string            `json:"problems,omitempty"`
	Certificates []listedCertificate `json:"certificates"`
}

// Run lists.
func (c authorityListCmd) Run(s streams) error {
	if c.Days < 0 {
		return usageError{fmt.Errorf("--days: %d: want 0 or more", c.Days)}
	}
	state, err := authorityIn(c.Dir).Look()
	if err != nil {
		return fmt.Errorf("authority: %w", err)
	}
	r := c.report(&state, time.Now())
	if c.JSON {
		err = writeJSON(s.out, r)
	} else {
		err = r.print(s.out)
	}
	if err == nil && len(r.Problems) > 0 {
		err = errors.New(strings.Join(r.Problems, "\n"))
		if c.JSON {
			err = shownError{err}
		}
	}
	return err
}

func (c *authorityListCmd) report(state *authority.State, now time.Time) listReport {
	soon := now.Add(time.Duration(c.Days) * oneDay)
	r := listReport{Authority: state.Name, NotAfter: state.NotAfter, ListNext: state.ListNext, Certificates: []listedCertificate{}}
	when := func(t time.Time) string {
		if !now.Before(t) {
			return "ended on " + t.Format(time.DateOnly)
		}
		return "ends on " + t.Format(time.DateOnly)
	}
	if state.Doubt != "" {
		r.Problems = append(r.Problems, state.Doubt+": liftbank fleet authority revoke --dir "+c.Dir+" renews it")
	}
	if !soon.Before(state.NotAfter) {
		r.Problems = append(r.Problems, "the authority "+when(state.NotAfter)+": units need a new one before")
	}
	if !soon.Before(state.ListNext) {
		r.Problems = append(r.Problems, "the broker's list "+when(state.ListNext)+
			", and then it refuses everybody: liftbank fleet authority revoke --dir "+c.Dir+" renews it")
	}
	current := state.Current()
	isCurrent := map[string]bool{}
	for _, e := range current {
		isCurrent[e.Serial] = true
	}
	shown := current
	if c.All {
		shown = state.Entries
	}
	for _, e := range shown {
		row := listedCertificate{
			Name: e.Name, Kind: string(e.Kind), Hosts: e.Hosts, Serial: e.Serial, Issued: e.At, NotAfter: e.NotAfter, State: "good",
		}
		switch {
		case !e.RevokedAt.IsZero():
			at := e.RevokedAt
			row.Revoked, row.State = &at, "revoked on "+at.Format(time.DateOnly)
		case !isCurrent[e.Serial]:
			row.State = "replaced"
		case !soon.Before(e.NotAfter):
			row.State = when(e.NotAfter)
			r.Problems = append(r.Problems, fmt.Sprintf("%s %s: liftbank fleet authority renew %s --dir %s", e.Name, row.State,
				e.Name, c.Dir))
		}
		r.Certificates = append(r.Certificates, row)
	}
	return r
}

func (r *listReport) print(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "%s\tauthority\t%s\t\t\n", r.Authority, r.NotAfter.Format(time.DateOnly))
	fmt.Fprintf(w, "%s\tlist\t%s\t\t\n", authority.RevokedFile, r.ListNext.Format(time.DateOnly))
	for _, c := range r.Certificates {
		name := strings.Join(append([]string{c.Name}, c.Hosts...), ",")
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", name, c.Kind, c.NotAfter.Format(time.DateOnly), c.Serial, c.State)
	}
	return w.Flush()
}
