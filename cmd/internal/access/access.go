// Package access tells whether somebody can use a file, a folder or a device: this process, or
// another user by the permission bits and that user's groups.
//
// The user of the service exists only while the service runs (systemd's DynamicUser=). Its groups
// are those that the unit file names, and it can write below its state folder only.
package access

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Service is the name of the service's user.
const Service = "liftbank"

// Secrets is the group that the service is in to read secrets.
const Secrets = "liftbank-secrets"

// What the service's unit file (deploy/systemd/liftbank.service) gives that user.
var (
	ServiceGroups = []string{"i2c", "gpio", Secrets}
	// stateFolders is the service's own folder by both its names. The service manager gives it to
	// whichever user the service gets.
	stateFolders = []string{"/var/lib/liftbank", "/var/lib/private/liftbank"}
	// bound are the devices that the service sees: buses and GPIO chips, each up to a number.
	bound = map[string]int{"/dev/i2c-": 31, "/dev/gpiochip": 15}
	// hidden are the folders that the service sees empty, or has its own of.
	hidden = []string{"/home", "/root", "/run/user", "/tmp", "/var/tmp"}
)

// User is somebody who may be able to use a file.
type User struct {
	Name string // empty: this process

	uid     uint32
	noUID   bool // the user does not exist now
	gids    []uint32
	service bool
	missing []string // groups of the service that this machine lacks
}

// Self returns this process's user, about whom the system is asked.
func Self() User { return User{} }

// Lookup returns a user of this machine, or the service's.
func Lookup(name string) (User, error) {
	u := User{Name: name, service: name == Service}
	found, err := user.Lookup(name)
	switch {
	case err == nil:
		ids, err := found.GroupIds()
		if err != nil {
			return u, fmt.Errorf("groups of user %s: %w", name, err)
		}
		for _, id := range append(ids, found.Gid) {
			if n, err := strconv.ParseUint(id, 10, 32); err == nil {
				u.gids = append(u.gids, uint32(n))
			}
		}
		n, err := strconv.ParseUint(found.Uid, 10, 32)
		if err != nil {
			return u, fmt.Errorf("user %s: id %s: want a number", name, found.Uid)
		}
		u.uid = uint32(n)
	case u.service:
		u.noUID = true
	default:
		return u, fmt.Errorf("user %s: not on this machine: want one of its users, or %s for the service's", name, Service)
	}
	if u.service {
		u.addServiceGroups()
	}
	return u, nil
}

// addServiceGroups adds the groups that the unit file names.
func (u *User) addServiceGroups() {
	for _, name := range ServiceGroups {
		g, err := user.LookupGroup(name)
		if err != nil {
			u.missing = append(u.missing, name)
			continue
		}
		if n, err := strconv.ParseUint(g.Gid, 10, 32); err == nil {
			u.gids = append(u.gids, uint32(n))
		}
	}
}

// Groups reports groups that the machine lacks: without one of them the service does not start.
func (u User) Groups() error {
	if len(u.missing) == 0 {
		return nil
	}
	return fmt.Errorf("group %s: not on this machine, and the service does not start without: want systemd-sysusers to "+
		"make it", strings.Join(u.missing, ", "))
}

// ErrNotSeen says that this process can't look at a file, so that nothing is known of it.
var ErrNotSeen = errors.New("this user can't look at it: check as root")

// Read reports why the user can't read a file; nil: it can.
func (u User) Read(path string) error { return u.use(path, 4, fs.FileMode.IsRegular, "a file") }

// Device reports why the user can't read and write a device; nil: it can.
func (u User) Device(path string) error {
	if u.service && !sees(path) {
		return errors.New("the service does not see it: want BindPaths= with it in the unit file (systemctl edit liftbank)")
	}
	return u.use(path, 6, func(m fs.FileMode) bool { return m&fs.ModeCharDevice != 0 }, "a device")
}

// sees reports whether the service sees a device.
func sees(path string) bool {
	for prefix, most := range bound {
		if number, ok := strings.CutPrefix(path, prefix); ok {
			n, err := strconv.Atoi(number)
			return err == nil && n <= most
		}
	}
	return false
}

func (u User) use(path string, want uint32, kind func(fs.FileMode) bool, kindName string) error {
	path, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return errors.New("not there")
	case errors.Is(err, fs.ErrPermission) && u.Name != "":
		return ErrNotSeen
	case err != nil:
		return cause(err)
	case !kind(info.Mode()):
		return fmt.Errorf("not %s", kindName)
	}
	return u.allowed(path, info, want)
}

// Folder reports why the user can't write into a folder, or make it where it is not there yet; nil:
// it can.
func (u User) Folder(path string) error {
	path, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	if u.service && !inside(path, stateFolders) {
		return fmt.Errorf("the service can write below %s only", stateFolders[0])
	}
	at, info := path, fs.FileInfo(nil)
	for {
		if info, err = os.Stat(at); !errors.Is(err, fs.ErrNotExist) || at == filepath.Dir(at) {
			break
		}
		at = filepath.Dir(at)
	}
	switch {
	case errors.Is(err, fs.ErrPermission) && u.Name != "":
		return ErrNotSeen
	case err != nil:
		return cause(err)
	case !info.IsDir():
		return fmt.Errorf("%s is not a folder", at)
	}
	if err := u.allowed(at, info, 3); err != nil {
		if at != path {
			return fmt.Errorf("not there and can't be made in %s: %w", at, err)
		}
		return err
	}
	return nil
}

// allowed reports why the user can't do what the three bits of want say.
func (u User) allowed(path string, info fs.FileInfo, want uint32) error {
	if u.Name == "" {
		return ask(path, want)
	}
	if u.service {
		if inside(path, stateFolders) {
			return nil
		}
		if inside(path, hidden) {
			return fmt.Errorf("the service does not see the files of %s", strings.Join(hidden, ", "))
		}
	}
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return ErrNotSeen
	}
	for _, folder := range slices.Compact(append(parents(path), parents(real)...)) {
		above, err := os.Stat(folder)
		if err != nil {
			return ErrNotSeen
		}
		if !u.may(above, 1) {
			return fmt.Errorf("no permission to enter %s (%s)", folder, Owner(above))
		}
	}
	if !u.may(info, want) {
		return fmt.Errorf("no permission to %s it (%s)", verb(want), Owner(info))
	}
	if want&2 != 0 {
		return readOnly(path)
	}
	return nil
}

func verb(want uint32) string {
	switch {
	case want&6 == 6:
		return "read and write"
	case want&2 != 0:
		return "write into"
	}
	return "read"
}

// parents returns the folders above a path, the outermost first.
func parents(path string) (all []string) {
	for path != filepath.Dir(path) {
		path = filepath.Dir(path)
		all = append(all, path)
	}
	slices.Reverse(all)
	return all
}

func inside(path string, folders []string) bool {
	return slices.ContainsFunc(folders, func(folder string) bool {
		return path == folder || strings.HasPrefix(path, folder+"/")
	})
}

// cause returns an error without the path, which whoever reads it knows.
func cause(err error) error {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err
	}
	return err
}
