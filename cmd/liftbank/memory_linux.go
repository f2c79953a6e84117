package main

import (
	"bufio"
	"fmt"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// keepSmall has the kernel give this process memory in small pages: in huge ones of 2 MB, a program that needs 4 MB holds
// twice that. Where the kernel can't, it stays as it is.
func keepSmall() { _ = unix.Prctl(unix.PR_SET_THP_DISABLE, 1, 0, 0, 0) }

// giveBack lets go of the pages of the program itself that were mapped because something in them, or near them, was
// used once. A page that is used again is mapped again from the file system's cache.
func giveBack() error {
	own, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return err
	}
	maps, err := os.Open("/proc/self/maps")
	if err != nil {
		return err
	}
	defer maps.Close()
	for scan := bufio.NewScanner(maps); scan.Scan(); {
		from, length, ok := clean(scan.Text(), own)
		if !ok {
			continue
		}
		// The pages are those of the file, never written: what is dropped is read again.
		if _, _, errno := unix.Syscall(unix.SYS_MADVISE, from, length, unix.MADV_DONTNEED); errno != 0 {
			return fmt.Errorf("give back %d bytes of the program: %w", length, errno)
		}
	}
	return nil
}

// clean returns the place of a mapping that a line of /proc/self/maps names, if it is of this program's file and
// can't have been written (proc_pid_maps(5)).
func clean(line, program string) (from, length uintptr, ok bool) {
	fields := strings.Fields(line)
	if len(fields) < 6 || !strings.HasSuffix(line, " "+program) || fields[1] != "r-xp" && fields[1] != "r--p" {
		return 0, 0, false
	}
	begin, end, _ := strings.Cut(fields[0], "-")
	a, err := strconv.ParseUint(begin, 16, 64)
	b, err2 := strconv.ParseUint(end, 16, 64)
	return uintptr(a), uintptr(b - a), err == nil && err2 == nil && b > a
}
