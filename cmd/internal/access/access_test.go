//go:build unix

package access

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// somebody returns a user who owns nothing here and is in no group of this process.
func somebody(gids ...uint32) User { return User{Name: "somebody", uid: 54321, gids: gids} }

func folder(t *testing.T, mode os.FileMode) string {
	t.Helper()
	dir := t.TempDir()
	// t.TempDir's own parents let everybody in, as far as the test's machine does
	for at := dir; strings.HasPrefix(at, os.TempDir()+"/"); at = filepath.Dir(at) {
		require.NoError(t, os.Chmod(at, 0o755))
	}
	dir = filepath.Join(dir, "folder")
	require.NoError(t, os.Mkdir(dir, 0o755))
	require.NoError(t, os.Chmod(dir, mode))
	return dir
}

func file(t *testing.T, dir string, mode os.FileMode) string {
	t.Helper()
	path := filepath.Join(dir, "file")
	require.NoError(t, os.WriteFile(path, []byte("x"), 0o600))
	require.NoError(t, os.Chmod(path, mode))
	return path
}

// Every class of permission, on the file and on a folder above it.
func TestPermissionBits(t *testing.T) {
	us := uint32(os.Getgid())
	for _, c := range []struct {
		folder, file os.FileMode
		of           User
		want         string // of the error; empty: it can read
	}{
		{0o755, 0o644, somebody(), ""},
		{0o755, 0o640, somebody(), "no permission to read it"},
		{0o755, 0o640, somebody(us), ""},
		{0o755, 0o604, somebody(us), "no permission to read it"}, // the group's bits count, not the others'
		{0o755, 0o600, somebody(us), "no permission to read it"},
		{0o750, 0o644, somebody(), "no permission to enter"},
		{0o750, 0o644, somebody(us), ""},
		{0o644, 0o644, somebody(), "no permission to enter"},
		{0o755, 0o400, User{Name: "owner", uid: uint32(os.Getuid())}, ""},
		{0o700, 0o600, User{Name: "root", uid: 0}, ""},
	} {
		path := file(t, folder(t, c.folder), c.file)
		err := c.of.Read(path)
		if c.want == "" {
			assert.NoError(t, err, "%+v", c)
		} else {
			assert.ErrorContains(t, err, c.want, "%+v", c)
		}
	}
}

func TestWhatAFileMustBe(t *testing.T) {
	for _, u := range []User{Self(), somebody()} {
		dir := folder(t, 0o755)
		assert.ErrorContains(t, u.Read(dir), "not a file")
		assert.ErrorContains(t, u.Read(filepath.Join(dir, "no")), "not there")
		path := file(t, dir, 0o644)
		assert.NoError(t, u.Read(path))
		assert.ErrorContains(t, u.Device(path), "not a device")
		assert.NoError(t, u.Device("/dev/null"))
		assert.ErrorContains(t, u.Folder(path), "not a folder")
		assert.ErrorContains(t, u.Folder(filepath.Join(path, "below")), "not a")
	}
}

func TestFoldersAreWrittenOrMade(t *testing.T) {
	dir := folder(t, 0o755)
	assert.NoError(t, Self().Folder(dir))
	assert.NoError(t, Self().Folder(filepath.Join(dir, "a", "b")), "it is made")
	assert.ErrorContains(t, somebody().Folder(dir), "no permission to write into it")
	assert.ErrorContains(t, somebody().Folder(filepath.Join(dir, "a")), "can't be made in "+dir)
	assert.NoError(t, somebody().Folder(folder(t, 0o777)))
	entered := folder(t, 0o776) // written into, but not entered
	assert.Error(t, somebody().Folder(entered))
	// What a link leads to counts.
	hidden := file(t, folder(t, 0o700), 0o644)
	link := filepath.Join(dir, "link")
	require.NoError(t, os.Symlink(hidden, link))
	assert.ErrorContains(t, somebody().Read(link), "no permission to enter "+filepath.Dir(hidden))
}

// The service has its own folder, wherever the permission bits stand, and can write nowhere else.
func TestTheServiceIsConfined(t *testing.T) {
	u := User{Name: Service, service: true, noUID: true}
	assert.ErrorContains(t, u.Folder(folder(t, 0o777)), "the service can write below /var/lib/liftbank only")
	stateFolders = append(stateFolders, folder(t, 0o700))
	defer func() { stateFolders = stateFolders[:2] }()
	own := stateFolders[2]
	assert.NoError(t, u.Folder(filepath.Join(own, "visits")))
	assert.NoError(t, u.Read(file(t, own, 0o600)))
	assert.ErrorContains(t, u.Read("/tmp"), "not a file")
	path := file(t, folder(t, 0o755), 0o644)
	if strings.HasPrefix(path, "/tmp/") {
		assert.ErrorContains(t, u.Read(path), "does not see")
	}
}

func TestLookup(t *testing.T) {
	u, err := Lookup("root")
	require.NoError(t, err)
	assert.Zero(t, u.uid)
	_, err = Lookup("no-such-user")
	assert.ErrorContains(t, err, "not on this machine")
	u, err = Lookup(Service)
	require.NoError(t, err)
	assert.True(t, u.service)
	assert.Equal(t, len(ServiceGroups), len(u.missing)+len(u.gids), "each group is known or missed")
	u.missing = []string{"gpio"}
	assert.ErrorContains(t, u.Groups(), "group gpio: not on this machine")
	assert.NoError(t, somebody().Groups())
}

// The unit file is what gives the service its groups.
func TestServiceGroupsAreTheUnitFiles(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "deploy", "systemd", "liftbank.service"))
	require.NoError(t, err)
	assert.Contains(t, string(text), "\nSupplementaryGroups="+strings.Join(ServiceGroups, " ")+"\n")
	var binds []string
	for _, m := range regexp.MustCompile(`-(/dev/\S+)`).FindAllStringSubmatch(string(text), -1) {
		binds = append(binds, m[1])
		assert.True(t, sees(m[1]), m[1])
	}
	assert.Len(t, binds, 32+16)
	for _, unseen := range []string{"/dev/i2c-32", "/dev/gpiochip16", "/dev/mem", "/dev/i2c-x"} {
		assert.False(t, sees(unseen))
		assert.ErrorContains(t, User{Name: Service, service: true}.Device(unseen), "does not see it")
	}
	assert.Contains(t, string(text), "\nStateDirectory="+filepath.Base(stateFolders[0])+"\n")
}
