//go:build unix

package hardware

import (
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"strconv"
	"syscall"
)

// groupReadWrite are the permission bits that a group needs on a device.
const groupReadWrite fs.FileMode = 0o060

// userName returns the name of the user that this runs as, or its number.
func userName() string {
	uid := strconv.Itoa(os.Getuid())
	if u, err := user.LookupId(uid); err == nil {
		return u.Username
	}
	return uid
}

// permissionAdvice says which group or permission is missing on a device file.
func permissionAdvice(path string) string {
	const rule = "give it to a group with read and write (a udev rule: GROUP=\"i2c\", MODE=\"0660\") " +
		"and add the user to that group"
	info, err := os.Stat(path)
	if err != nil {
		return rule
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return rule
	}
	gid := strconv.FormatUint(uint64(stat.Gid), 10)
	group := gid
	if g, err := user.LookupGroupId(gid); err == nil {
		group = g.Name
	}
	mode := info.Mode().Perm()
	if stat.Gid == 0 || mode&groupReadWrite != groupReadWrite {
		return fmt.Sprintf("the file is of group %s with mode %04o: %s", group, mode, rule)
	}
	return fmt.Sprintf("add the user to group %s, which has them (SupplementaryGroups=%s in a systemd unit)",
		group, group)
}
