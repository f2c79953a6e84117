//go:build unix

package main

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// existing returns whom a file belongs to; of one that is not there, nobody yet.
func existing(path string) (belongsTo, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
		return belongsTo{uid: -1, gid: -1, mode: 0o600}, nil
	}
	if err != nil {
		return belongsTo{}, err
	}
	b := belongsTo{there: true, uid: -1, gid: -1, mode: info.Mode().Perm()}
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		b.uid, b.gid = int(st.Uid), int(st.Gid)
	}
	return b, nil
}

// chown gives a new file of this process away, as far as it does not belong there already.
func (b belongsTo) chown(f *os.File) error {
	info, err := f.Stat()
	if err != nil {
		return err
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	uid, gid := b.uid, b.gid
	if uid == int(st.Uid) {
		uid = -1
	}
	if gid == int(st.Gid) {
		gid = -1
	}
	if uid == -1 && gid == -1 {
		return nil
	}
	return f.Chown(uid, gid)
}
