package visit

import (
	"errors"
	"math/rand/v2"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
)

// confirmed is what a technician was told is saved.
type confirmed struct {
	begun, finished bool
	note            string
	work            int
}

// outbox takes every visit.
type outbox struct{ got map[string]int }

func (o *outbox) Visit(v *Visit) error {
	o.got[v.ID]++
	return nil
}

// work does a whole visit as far as the disk lets it, trying each step up to twice, as a person
// would.
func work(t *testing.T, o Options) (id string, told confirmed) {
	t.Helper()
	twice := func(step func() error) bool {
		err := step()
		if err != nil {
			err = step()
		}
		return err == nil
	}
	var k *Store
	if !twice(func() (err error) { k, err = Open(o); return err }) {
		return "", told
	}
	told.begun = twice(func() error {
		d, err := k.Begin("R. Vega", "abc123", facts(t, 0))
		if d != nil && (err == nil || errors.Is(err, ErrVisitOpen)) {
			id = d.ID
			return nil
		}
		return err
	})
	if !told.begun {
		return "", told
	}
	for i, note := range []string{"one", "two"} {
		if twice(func() error {
			_, err := k.Save(id, k.Draft().Revision, map[string]string{"note": note}, facts(t, time.Minute))
			return err
		}) {
			told.note = note
		}
		w := Work{ID: "token-" + note, Kind: OtherWork, Note: note}
		if twice(func() error { _, err := k.AddWork(t.Context(), id, w, facts(t, time.Minute)); return err }) {
			told.work = i + 1
		}
	}
	told.finished = twice(func() error {
		_, err := k.Finish(id, facts(t, time.Hour))
		if errors.Is(err, ErrNotSent) {
			return nil
		}
		return err
	})
	return id, told
}

// holds checks that everything that was told is there after the next start.
func holds(t *testing.T, o Options, id string, told confirmed, when any) {
	t.Helper()
	k, err := Open(o)
	require.NoError(t, err, when)
	if told.finished {
		v, err := k.Get(id)
		require.NoError(t, err, when)
		assert.Equal(t, told.note, v.Note, when)
		assert.GreaterOrEqual(t, len(v.Work), told.work, when)
		assert.Nil(t, k.Draft(), when)
		require.NoError(t, k.HandOver(), when)
		assert.Positive(t, o.Outlet.(*outbox).got[id], when)
		return
	}
	if !told.begun {
		return
	}
	if d := k.Draft(); d != nil {
		assert.Equal(t, id, d.ID, when)
		if told.note != "" {
			assert.Contains(t, []string{"one", "two"}, d.Fields["note"], when)
			assert.GreaterOrEqual(t, d.Fields["note"], told.note, when) // "two" may have got there unconfirmed
		}
		assert.GreaterOrEqual(t, len(d.Work), told.work, when)
		return
	}
	v, err := k.Get(id) // finished, and not told so
	require.NoError(t, err, when)
	assert.GreaterOrEqual(t, v.Note, told.note, when)
}

// Each operation on the disk fails during a visit, once or from then on: what was confirmed is there
// after the next start, and handed on.
func TestEachOperationOfAVisitFails(t *testing.T) {
	for _, fault := range []error{syscall.EIO, syscall.ENOSPC} {
		for _, forever := range []bool{false, true} {
			for n := 1; ; n++ {
				d := crash.New("/card")
				undo := disk.Use(d)
				o := Options{Dir: "/card/visits", Unit: "t-1", Form: NewForm(DefaultChecklist(), []string{"a", "b"}),
					Outlet: &outbox{map[string]int{}}}
				d.FailWith(func(at int, _, _ string) error {
					if at == n || forever && at > n {
						return fault
					}
					return nil
				})
				id, told := work(t, o)
				done := d.Operations() < n
				d.FailWith(nil)
				holds(t, o, id, told, n)
				undo()
				if done {
					assert.True(t, told.finished)
					break
				}
			}
		}
	}
}

// The power is cut before each operation of a visit, with what was not synced left to chance.
func TestAPowerCutAtEachOperationOfAVisit(t *testing.T) {
	chance := rand.New(rand.NewPCG(3, 4))
	for range 3 {
		for n := 1; ; n++ {
			d := crash.New("/card")
			undo := disk.Use(d)
			o := Options{Dir: "/card/visits", Unit: "t-1", Form: NewForm(DefaultChecklist(), []string{"a", "b"}),
				Outlet: &outbox{map[string]int{}}}
			d.FailWith(func(at int, _, _ string) error {
				if at >= n {
					return syscall.EIO
				}
				return nil
			})
			id, told := work(t, o)
			done := d.Operations() < n
			after := d.Cut(chance)
			undo()
			undo = disk.Use(after)
			holds(t, o, id, told, n)
			undo()
			if done {
				break
			}
		}
	}
}
