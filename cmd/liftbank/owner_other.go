//go:build !unix

package main

import "os"

// existing returns that a file belongs to whoever writes it: this system has no other owners.
func existing(string) (belongsTo, error) { return belongsTo{uid: -1, gid: -1, mode: 0o600}, nil }

func (belongsTo) chown(*os.File) error { return nil }
