//go:build unix

package access

import (
	"errors"
	"fmt"
	"io/fs"
	"os/user"
	"slices"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// ask has the system say whether this process may do what the three bits of want say.
func ask(path string, want uint32) error {
	if err := unix.Access(path, want); err != nil {
		return fmt.Errorf("can't %s it: %w", verb(want), err)
	}
	return nil
}

// readOnly reports that a path is on a file system that nobody can write to.
func readOnly(path string) error {
	if err := unix.Access(path, unix.W_OK); errors.Is(err, unix.EROFS) {
		return err
	}
	return nil
}

// may reports whether the permission bits let the user do what the three bits of want say.
func (u User) may(info fs.FileInfo, want uint32) bool {
	bits := uint32(info.Mode().Perm())
	st, ok := info.Sys().(*syscall.Stat_t)
	switch {
	case !ok:
		return false
	case u.uid == 0 && !u.noUID:
		return want&1 == 0 || info.IsDir() || bits&0o111 != 0
	case st.Uid == u.uid && !u.noUID:
		bits >>= 6
	case slices.Contains(u.gids, st.Gid):
		bits >>= 3
	}
	return bits&want == want
}

// Owner says whose a file is, and its mode: root:root 0600.
func Owner(info fs.FileInfo) string {
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return info.Mode().String()
	}
	uid, gid := strconv.FormatUint(uint64(st.Uid), 10), strconv.FormatUint(uint64(st.Gid), 10)
	if u, err := user.LookupId(uid); err == nil {
		uid = u.Username
	}
	if g, err := user.LookupGroupId(gid); err == nil {
		gid = g.Name
	}
	return fmt.Sprintf("%s:%s %04o", uid, gid, info.Mode().Perm())
}
