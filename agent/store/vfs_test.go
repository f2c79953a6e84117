package store

import (
	"slices"
	"sync"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/require"
	"modernc.org/libc"
	lib "modernc.org/sqlite/lib"
)

// faults lets file operations within SQLite fail. It lies between SQLite and the system's files (its
// VFS, https://www.sqlite.org/vfs.html), where reading, writing, syncing, truncating, opening and
// removing pass. Its zero value fails nothing.
var faults struct {
	once sync.Once

	mu       sync.Mutex
	armed    bool
	full     bool // the card is full: writes take a part and fail, all else works
	from, to int  // the operations that fail, counted from 1
	count    int
	done     []string // names of the operations that were counted
	failed   []string // and of those that failed

	vfs   lib.Tsqlite3_vfs    // the system's
	under uintptr             // where it is
	ours  map[uintptr]uintptr // methods of files: where the system's are -> where ours are
}

// methods are those of a file that we hand out, and the system's behind them.
type methods struct{ ours, under lib.Tsqlite3_io_methods }

// failing counts an operation, and reports whether it is to fail.
func failing(op string, write bool) bool {
	f := &faults
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.armed || f.full && !write {
		return false
	}
	f.count++
	f.done = append(f.done, op)
	if f.count < f.from || f.count > f.to {
		return false
	}
	f.failed = append(f.failed, op)
	return true
}

// failOperations has the operations from from to to fail, until heal, which returns the names of all
// there were and of those that failed.
func failOperations(t testing.TB, full bool, from, to int) (heal func() (done, failed []string)) {
	f := &faults
	f.once.Do(func() { interpose(t) })
	f.mu.Lock()
	defer f.mu.Unlock()
	f.armed, f.full, f.from, f.to, f.count, f.done, f.failed = true, full, from, to, 0, nil, nil
	return func() (done, failed []string) {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.armed = false
		return slices.Clone(f.done), slices.Clone(f.failed)
	}
}

// at returns what C memory holds there.
func at[T any](p uintptr) *T { return *(**T)(unsafe.Pointer(&p)) }

// pointer returns a function as C code has it; it must be one of the package's own, which stay.
func pointer[F any](f F) uintptr { return *(*uintptr)(unsafe.Pointer(&struct{ f F }{f})) }

// call returns a function that C code has.
func call[F any](p uintptr) F { return *(*F)(unsafe.Pointer(&struct{ p uintptr }{p})) }

type (
	openFunc   = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32
	deleteFunc = func(tls *libc.TLS, vfs, name uintptr, sync int32) int32
	dataFunc   = func(tls *libc.TLS, file, data uintptr, n int32, offset int64) int32
	sizeFunc   = func(tls *libc.TLS, file uintptr, size int64) int32
	syncFunc   = func(tls *libc.TLS, file uintptr, flags int32) int32
)

// interpose puts the faults before the system's files, for all databases opened from now on.
func interpose(t testing.TB) {
	f := &faults
	tls := libc.NewTLS()
	defer tls.Close()
	f.under = lib.Xsqlite3_vfs_find(tls, 0)
	require.NotZero(t, f.under)
	f.vfs = *at[lib.Tsqlite3_vfs](f.under)
	name, err := libc.CString("faults")
	require.NoError(t, err)
	own := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(f.vfs)))
	require.NotZero(t, own)
	f.ours = map[uintptr]uintptr{}
	v := at[lib.Tsqlite3_vfs](own)
	*v = f.vfs
	v.FpNext, v.FzName = 0, name
	v.FxOpen, v.FxDelete = pointer(openFunc(faultyOpen)), pointer(deleteFunc(faultyDelete))
	require.Zero(t, lib.Xsqlite3_vfs_register(tls, own, 1))
}

func faultyOpen(tls *libc.TLS, _, name, file uintptr, flags int32, out uintptr) int32 {
	f := &faults
	if failing("open", false) {
		at[lib.Tsqlite3_file](file).FpMethods = 0
		return lib.SQLITE_CANTOPEN
	}
	code := call[openFunc](f.vfs.FxOpen)(tls, f.under, name, file, flags, out)
	if code != lib.SQLITE_OK {
		return code
	}
	of := at[lib.Tsqlite3_file](file)
	f.mu.Lock()
	defer f.mu.Unlock()
	under := of.FpMethods
	if f.ours[under] == 0 {
		p := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(methods{})))
		if p == 0 {
			return lib.SQLITE_NOMEM
		}
		m := at[methods](p)
		m.under = *at[lib.Tsqlite3_io_methods](under)
		m.ours = m.under
		m.ours.FxRead, m.ours.FxWrite = pointer(dataFunc(faultyRead)), pointer(dataFunc(faultyWrite))
		m.ours.FxTruncate, m.ours.FxSync = pointer(sizeFunc(faultyTruncate)), pointer(syncFunc(faultySync))
		f.ours[under] = p
	}
	of.FpMethods = f.ours[under]
	return code
}

// underOf returns the system's methods of a file that we handed out.
func underOf(file uintptr) *lib.Tsqlite3_io_methods {
	return &at[methods](at[lib.Tsqlite3_file](file).FpMethods).under
}

func faultyDelete(tls *libc.TLS, _, name uintptr, sync int32) int32 {
	if failing("remove", false) {
		return lib.SQLITE_IOERR_DELETE
	}
	return call[deleteFunc](faults.vfs.FxDelete)(tls, faults.under, name, sync)
}

func faultyRead(tls *libc.TLS, file, data uintptr, n int32, offset int64) int32 {
	if failing("read", false) {
		return lib.SQLITE_IOERR_READ
	}
	return call[dataFunc](underOf(file).FxRead)(tls, file, data, n, offset)
}

// faultyWrite writes a part of what it should before it fails, as a full disk does.
func faultyWrite(tls *libc.TLS, file, data uintptr, n int32, offset int64) int32 {
	write := call[dataFunc](underOf(file).FxWrite)
	if !failing("write", true) {
		return write(tls, file, data, n, offset)
	}
	if n > 1 {
		write(tls, file, data, n/2, offset)
	}
	if faults.full {
		return lib.SQLITE_FULL
	}
	return lib.SQLITE_IOERR_WRITE
}

func faultyTruncate(tls *libc.TLS, file uintptr, size int64) int32 {
	if failing("truncate", false) {
		return lib.SQLITE_IOERR_TRUNCATE
	}
	return call[sizeFunc](underOf(file).FxTruncate)(tls, file, size)
}

func faultySync(tls *libc.TLS, file uintptr, flags int32) int32 {
	if failing("sync", false) {
		return lib.SQLITE_IOERR_FSYNC
	}
	return call[syncFunc](underOf(file).FxSync)(tls, file, flags)
}
