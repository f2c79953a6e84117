package intake

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
)

// A connection that ends closes its queue. The committing goroutine may see that before it sees that
// the connection has ended: there is nothing to commit, then.
func TestAClosedQueueEndsTheCommits(t *testing.T) {
	for _, queued := range []int{0, 1} {
		in, err := New(Options{Broker: "mqtt://127.0.0.1", Prefix: "liftbank", Store: taking{}})
		require.NoError(t, err)
		life, cut := context.WithCancelCause(t.Context())
		l := &link{in: in, life: life, cut: cut, queue: make(chan item, queued), s: newSession(nil, 0, nil)}
		for range queued {
			require.NoError(t, in.room.Acquire(life, 1))
			l.queue <- item{weight: 1, id: 7}
		}
		close(l.queue)
		l.commits()
		assert.Equal(t, []byte{0x40, 2, 0, 7}[:4*queued], append([]byte{}, l.s.out...))
		cut(nil)
	}
}

// taking is a store that takes anything.
type taking struct{ Store }

func (taking) Commit(_ context.Context, _ time.Time, batch []wire.Message) (db.Outcome, error) {
	return db.Outcome{New: make([]bool, len(batch))}, nil
}

// full is a store on a full disk that answers all the same.
type full struct {
	Store
	*testing.T
	err error
}

func (full) Ping(context.Context) error { return nil }

func (f full) Commit(_ context.Context, _ time.Time, batch []wire.Message) (db.Outcome, error) {
	for i := range batch {
		assert.Nil(f.T, batch[i].Refused, "set aside, though the disk is full")
	}
	return db.Outcome{}, f.err
}

// A disk that is full is no reason to set a message aside: nothing is wrong with it.
func TestAFullDiskSetsNothingAside(t *testing.T) {
	d, err := sql.Open("sqlite", "file:"+filepath.Join(t.TempDir(), "small.db")+"?_pragma=max_page_count(4)")
	require.NoError(t, err)
	defer d.Close()
	_, err = d.ExecContext(t.Context(), "CREATE TABLE a (b BLOB)")
	require.NoError(t, err)
	_, err = d.ExecContext(t.Context(), "INSERT INTO a VALUES (zeroblob(100000))")
	require.ErrorContains(t, err, "full")
	require.True(t, db.Unwell(fmt.Errorf("database: %w", err)))
	require.False(t, db.Unwell(errors.New("poison")))
	in, err2 := New(Options{Broker: "mqtt://127.0.0.1", Prefix: "liftbank", Store: full{T: t, err: err}})
	require.NoError(t, err2)
	_, err = in.store(t.Context(), make([]wire.Message, 3))
	require.ErrorContains(t, err, "full")
}
