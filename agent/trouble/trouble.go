// Package trouble holds what is wrong with the monitor itself: the card, a file that can't be used,
// a page that isn't served. None of it stops the measuring; all of it is shown.
package trouble

import (
	"cmp"
	"slices"
	"sync"
)

// Parts of the monitor that can have trouble.
const (
	Bus       = "bus"       // input chips can't be reached at all
	Metrics   = "metrics"   // /metrics isn't served
	Outlet    = "outlet"    // connected, and what is sent doesn't get where it should
	Page      = "page"      // the page isn't served
	PIN       = "pin"       // nobody can change anything
	Power     = "power"     // the board should be switched off and isn't
	Recording = "recording" // scans aren't recorded
	SetAside  = "set-aside" // damaged files were renamed: somebody should look at them
	Settings  = "settings"  // what was set at the unit can't be read
	State     = "state"     // what was learned can't be read or saved
	Store     = "store"     // the card can't be written
	Visits    = "visits"    // visits can't be written up
)

// Parts are all of them, in order.
var Parts = []string{Bus, Metrics, Outlet, Page, PIN, Power, Recording, SetAside, Settings, State, Store, Visits}

// Trouble is what is wrong with one part, in English.
type Trouble struct{ Part, Problem string }

// Book holds the troubles of one monitor. Its zero value is ready; all methods may be called from
// any goroutine.
type Book struct {
	mu       sync.Mutex
	troubles []Trouble // by part
}

// Set notes what is wrong with a part, or with an empty problem that it is well again.
func (b *Book) Set(part, problem string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	i, there := slices.BinarySearchFunc(b.troubles, part, func(t Trouble, part string) int {
		return cmp.Compare(t.Part, part)
	})
	switch {
	case problem == "" && there:
		b.troubles = slices.Delete(slices.Clone(b.troubles), i, i+1)
	case problem != "" && there && b.troubles[i].Problem != problem:
		b.troubles = slices.Clone(b.troubles)
		b.troubles[i].Problem = problem
	case problem != "" && !there:
		b.troubles = slices.Insert(slices.Clone(b.troubles), i, Trouble{part, problem})
	}
}

// SetError is Set with an error, nil for none.
func (b *Book) SetError(part string, err error) {
	if err == nil {
		b.Set(part, "")
		return
	}
	b.Set(part, err.Error())
}

// List returns the present troubles by part. The slice is not changed later.
func (b *Book) List() []Trouble {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.troubles
}
