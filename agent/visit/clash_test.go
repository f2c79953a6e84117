package visit

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/visit/picture"
)

func formatF(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func from(by, phone string) Facts { return Facts{At: start, By: by, Phone: phone} }

// Whatever two phones type into one field, in whatever order it gets there, no text of either is lost:
// it stands in the field, waits to be settled, or the same phone has written something else since.
// Afterwards, whatever somebody chooses, the other text is in the log.
func TestNoTextOfTwoPhonesIsLost(t *testing.T) {
	dir := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		form := NewForm(DefaultChecklist(), []string{"a"})
		d := &Draft{ID: "20260309t140322-abc123", Fields: map[string]string{}, Beside: map[string]MonitorFigure{}}
		last := map[string]string{}  // by phone: what its page shows
		revision := map[string]int{} // by phone: of when that is
		written := map[string]bool{} // everything that anybody has sent
		for i := range rapid.IntRange(1, 12).Draw(t, "n") {
			phone := rapid.SampledFrom([]string{"one", "two"}).Draw(t, "phone")
			if rapid.Bool().Draw(t, "reload") {
				revision[phone], last[phone] = d.Revision, d.Fields["note"]
			}
			text, again := phone+" "+strconv.Itoa(i), false
			if rapid.IntRange(0, 4).Draw(t, "again") == 0 && last[phone] != "" {
				text, again = last[phone], true // a form has all its fields, changed or not
			}
			last[phone] = text
			written[text] = true
			r, _ := d.apply(form, revision[phone], map[string]string{"note": text}, from("", phone))
			if len(r.Conflicts) == 0 {
				revision[phone] = d.Revision
			}
			logged := map[string]bool{"": true}
			for _, c := range d.Log {
				logged[c.New] = true
			}
			for text := range written {
				require.True(t, logged[text], "%q is in the log", text)
			}
			waits := d.Fields["note"] == text || again
			for _, c := range d.ToSettle {
				waits = waits || c.Mine == text
			}
			require.True(t, waits, "%q stands or waits", text)
			require.LessOrEqual(t, len(d.ToSettle), 2, "one a phone")
		}
		k := &Store{o: Options{Dir: dir, Form: form}, draft: d}
		for len(k.draft.ToSettle) > 0 {
			c := k.draft.ToSettle[0]
			how := rapid.SampledFrom([]Settled{KeepSaved, KeepOther, KeepBoth, Rewrite}).Draw(t, "how")
			saved := k.draft.Fields["note"]
			r, err := k.Settle(d.ID, c.ID, how, "anew", from("", ""))
			require.NoError(t, err)
			require.Empty(t, r.Refusals)
			switch how {
			case KeepSaved:
				require.Equal(t, saved, r.Draft.Fields["note"])
			case KeepOther:
				require.Equal(t, c.Mine, r.Draft.Fields["note"])
			case KeepBoth:
				require.Contains(t, r.Draft.Fields["note"], saved)
				require.Contains(t, r.Draft.Fields["note"], c.Mine)
			case Rewrite:
				require.Equal(t, "anew", r.Draft.Fields["note"])
			}
		}
	})
}

func TestAClashIsSettledOnce(t *testing.T) {
	dir := t.TempDir()
	k, d := begun(t, dir)
	save := func(revision int, key, text, by, phone string) Result {
		r, err := k.Save(d.ID, revision, map[string]string{key: text}, from(by, phone))
		require.NoError(t, err)
		return r
	}
	save(1, "place", "Yard 4", "R. Vega", "p1")
	save(1, "place", "Yard 5", "B. Tano", "p2")
	r := save(1, "oil.level", "low", "R. Vega", "p1")
	save(1, "oil.level", "high", "B. Tano", "p2")
	r = save(r.Draft.Revision, "note", "x", "", "")
	require.Len(t, r.Draft.ToSettle, 2)
	by, _ := r.Draft.Author("place")
	assert.Equal(t, "R. Vega", by)
	assert.Equal(t, "B. Tano", r.Draft.ToSettle[0].By)
	_, err := k.Finish(d.ID, facts(t, time.Hour))
	assert.ErrorIs(t, err, ErrToSettle)
	k = open(t, dir) // the agent was killed
	assert.Equal(t, r.Draft, k.Draft())
	r, err = k.Settle(d.ID, 2, KeepBoth, "", from("", ""))
	require.NoError(t, err)
	assert.Len(t, r.Refusals, 1, "a level can't be both")
	for _, c := range []struct {
		clash int
		how   Settled
	}{{1, KeepBoth}, {1, KeepOther}, {2, KeepOther}, {2, KeepSaved}, {9, KeepOther}} {
		_, err = k.Settle(d.ID, c.clash, c.how, "", from("", ""))
		require.NoError(t, err)
	}
	now := k.Draft()
	assert.Equal(t, "Yard 4; Yard 5", now.Fields["place"], "the second answer to the same question changes nothing")
	assert.Equal(t, "high", now.Fields["oil.level"])
	_, err = k.Settle("20260309t140322-zzz999", 1, KeepSaved, "", from("", ""))
	assert.ErrorIs(t, err, ErrWrongVisit)
	// Too long together: refused, both still there.
	long := strings.Repeat("é", TextLimit-5)
	base := k.Draft().Revision
	save(base, "place", long, "", "p1")
	save(base, "place", "Yard 6 at the gate", "", "p2")
	r, err = k.Settle(d.ID, 3, KeepBoth, "", from("", ""))
	require.NoError(t, err)
	require.Len(t, r.Refusals, 1)
	assert.Equal(t, TooLong, r.Refusals[0].Why)
	require.Len(t, k.Draft().ToSettle, 1)
	// The one who came second types what stands: nothing to settle any more.
	save(base, "place", long, "", "p2")
	assert.Empty(t, k.Draft().ToSettle)
	_, err = k.Finish(d.ID, facts(t, time.Hour))
	assert.NoError(t, err)
}

// A clock that jumps in mid-visit, back or ahead: revisions don't hang on it, nothing is refused or
// lost, and the record says that its times are doubtful where it ended before it began.
func TestTheClockJumps(t *testing.T) {
	for _, jump := range []time.Duration{-40 * 365 * 24 * time.Hour, -time.Minute, 0, 365 * 24 * time.Hour} {
		dir := t.TempDir()
		k, d := begun(t, dir)
		for i, after := range []time.Duration{time.Minute, jump, jump + time.Minute} {
			r, err := k.Save(d.ID, i+1, map[string]string{"note": fmt.Sprint("note ", i)}, facts(t, after))
			require.NoError(t, err)
			require.Empty(t, r.Conflicts)
			k = open(t, dir)
		}
		v, err := k.Finish(d.ID, facts(t, jump))
		require.NoError(t, err)
		assert.Equal(t, "note 2", v.Note)
		assert.Equal(t, jump >= 0, v.ClockTrusted, jump)
		list, all, err := k.List(5)
		require.NoError(t, err)
		assert.Equal(t, 1, all)
		assert.Equal(t, v.ID, list[0].ID)
		// The next visit begins, whatever the time is.
		_, err = k.Begin("R. Vega", "bcd234", facts(t, jump))
		require.NoError(t, err)
	}
}

// snap is a photo of its own for each n.
func snap(t testing.TB, n int) []byte {
	img := image.NewGray(image.Rect(0, 0, 64, 48))
	for i := range img.Pix {
		img.Pix[i] = uint8(i * (n + 1))
	}
	img.SetGray(0, 0, color.Gray{uint8(n)})
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, nil))
	return b.Bytes()
}

const boxPosts = "check.battery-box.posts"

func TestPhotosOfAVisit(t *testing.T) {
	dir := t.TempDir()
	k, d := begun(t, dir)
	add := func(of string, b []byte) (*Draft, error) {
		return k.AddPhoto(t.Context(), d.ID, of, bytes.NewReader(b), from("R. Vega", ""))
	}
	for range 2 { // sent twice, kept once
		now, err := add(boxPosts, snap(t, 0))
		require.NoError(t, err)
		require.Len(t, now.Photos, 1)
		assert.Equal(t, "p01.jpg", now.Photos[0].Name)
	}
	_, err := add("area.oil", snap(t, 0))
	require.NoError(t, err, "the same photo of something else")
	for _, bad := range []string{"", "note", "check.battery-box", "check.x.y", "area.x", "../x"} {
		_, err := add(bad, snap(t, 0))
		assert.ErrorIs(t, err, ErrNoSubject, bad)
	}
	_, err = add(boxPosts, []byte("none"))
	assert.ErrorIs(t, err, picture.ErrNoPicture)
	_, err = add(boxPosts, make([]byte, MaxPhotoUpload+1))
	assert.ErrorIs(t, err, ErrPhotoBytes)
	_, err = k.AddPhoto(t.Context(), d.ID, boxPosts, iotest.ErrReader(errors.New("cut off")), from("", ""))
	assert.ErrorContains(t, err, "cut off")
	_, err = k.AddPhoto(t.Context(), "20260309t140322-zzz999", boxPosts, bytes.NewReader(snap(t, 0)), from("", ""))
	assert.ErrorIs(t, err, ErrWrongVisit)
	for i := 1; i < 100; i++ {
		_, err = add(boxPosts, snap(t, i))
		if len(k.Draft().Photos) == MaxPhotos {
			break
		}
		require.NoError(t, err)
	}
	_, err = add(boxPosts, snap(t, 200))
	assert.ErrorIs(t, err, ErrManyPhotos)
	now, err := k.RemovePhoto(d.ID, "p03.jpg", from("", ""))
	require.NoError(t, err)
	assert.Len(t, now.Photos, MaxPhotos-1)
	now, err = k.RemovePhoto(d.ID, "p03.jpg", from("", ""))
	require.NoError(t, err, "pressed twice")
	assert.Len(t, now.Photos, MaxPhotos-1)
	assert.False(t, k.HasPhoto(d.ID, "p03.jpg"))
	now, err = add(boxPosts, snap(t, 201))
	require.NoError(t, err)
	assert.Equal(t, "p25.jpg", now.Photos[len(now.Photos)-1].Name, "a name is never used again")
	for _, bad := range []string{"p99.jpg", "../draft.json", "draft.json", "p01.jpg/..", "P01.JPG", ""} {
		_, err := k.Photo(d.ID, bad)
		assert.ErrorIs(t, err, ErrNone, bad)
	}
	_, err = k.Photo("../x", "p01.jpg")
	assert.ErrorIs(t, err, ErrNone)
	left, err := filepath.Glob(filepath.Join(dir, ".new-*"))
	require.NoError(t, err)
	assert.Empty(t, left, "nothing of what came is left")
	v, err := k.Finish(d.ID, facts(t, time.Hour))
	require.NoError(t, err)
	assert.Len(t, v.Photos, MaxPhotos)
	assert.Len(t, v.Areas[0].Items[2].Photos, MaxPhotos-1)
	assert.Equal(t, []string{"p02.jpg"}, v.Areas[3].Photos)
	b, err := k.Photo(v.ID, "p01.jpg")
	require.NoError(t, err)
	assert.Less(t, len(b), picture.MaxBytes)
	sent, err := v.Bounded(96 << 10)
	require.NoError(t, err)
	assert.Less(t, len(sent), 96<<10)
	assert.NotContains(t, string(sent), "\xff\xd8", "a photo is named, not sent")
}

// All photos together have a bound: those of the oldest visits give room. The visit under way keeps
// its own.
func TestPhotosGiveRoomToNewOnes(t *testing.T) {
	disk := crash.New("/card")
	defer use(disk)()
	k, d := begun(t, "/card/visits")
	old := "20250101t000000-aaaaaa"
	big := make([]byte, 1<<20)
	for i := range maxPhotoStore / len(big) {
		require.NoError(t, writeFile(k.photoPath(old, fmt.Sprintf("p%02d.jpg", i+1)), big))
	}
	for i := range 3 {
		_, err := k.AddPhoto(t.Context(), d.ID, boxPosts, bytes.NewReader(snap(t, i)), from("", ""))
		require.NoError(t, err)
	}
	assert.False(t, k.HasPhoto(old, "p01.jpg"), "the oldest has gone")
	assert.True(t, k.HasPhoto(old, "p02.jpg"), "and no more than needed")
	for _, p := range k.Draft().Photos {
		assert.True(t, k.HasPhoto(d.ID, p.Name))
	}
}

func use(d disk.Disk) func() { return disk.Use(d) }

func writeFile(path string, b []byte) error {
	f, err := disk.Now().OpenFile(path, os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	return errors.Join(err, f.Sync(), f.Close())
}

// Each operation of the disk fails while a photo is taken in, and the power is cut there: the draft
// names no photo that isn't there, no photo of it stands unnamed after the next start, and what is
// typed goes on being saved.
func TestEachOperationOfAPhotoFails(t *testing.T) {
	for _, cut := range []bool{false, true} {
		for n := 1; ; n++ {
			card := crash.New("/card")
			undo := use(card)
			k, d := begun(t, "/card/visits")
			before := card.Operations()
			card.FailWith(func(at int, _, _ string) error {
				if at == before+n || cut && at > before+n {
					return syscall.ENOSPC
				}
				return nil
			})
			_, err := k.AddPhoto(t.Context(), d.ID, boxPosts, bytes.NewReader(snap(t, 1)), from("", ""))
			done := card.Operations() < before+n
			card.FailWith(nil)
			if !cut {
				_, again := k.AddPhoto(t.Context(), d.ID, boxPosts, bytes.NewReader(snap(t, 1)), from("", ""))
				require.NoError(t, again, "the card has room again")
				require.Len(t, k.Draft().Photos, 1, n)
			}
			_, saved := k.Save(d.ID, 1, map[string]string{"note": "x"}, facts(t, time.Minute))
			require.NoError(t, saved)
			k = open(t, "/card/visits")
			require.NotNil(t, k.Draft(), n)
			if err == nil {
				require.Len(t, k.Draft().Photos, 1)
			}
			for _, p := range k.Draft().Photos {
				require.True(t, k.HasPhoto(d.ID, p.Name), n)
			}
			entries, err := disk.Now().ReadDir("/card/visits")
			require.NoError(t, err)
			for _, e := range entries {
				require.False(t, strings.HasPrefix(e.Name(), ".new-"), n)
				if m := photoFile.FindStringSubmatch(e.Name()); m != nil {
					require.True(t, len(k.Draft().Photos) == 1 && k.Draft().Photos[0].Name == m[2], "%d: %s", n, e.Name())
				}
			}
			undo()
			if done {
				break
			}
		}
	}
}

// Photos of several phones at a time are taken in one after the other; who goes away meanwhile doesn't
// hold up the others.
func TestPhotosOfSeveralPhones(t *testing.T) {
	k, d := begun(t, t.TempDir())
	gone, leave := context.WithCancel(t.Context())
	leave()
	k.photo <- struct{}{} // one is being taken in
	_, err := k.AddPhoto(gone, d.ID, boxPosts, bytes.NewReader(snap(t, 0)), from("", ""))
	assert.ErrorIs(t, err, context.Canceled)
	<-k.photo
	var all sync.WaitGroup
	for i := range 8 {
		b := snap(t, i)
		all.Go(func() {
			_, err := k.AddPhoto(t.Context(), d.ID, boxPosts, bytes.NewReader(b), from("", ""))
			assert.NoError(t, err)
		})
	}
	all.Wait()
	assert.Len(t, k.Draft().Photos, 8)
}

// The reading of an item against its limits: the manual's as typed, or the configuration's, and those
// of the last visit are there at the next.
func TestReadingsAgainstLimits(t *testing.T) {
	low, high := 1800.0, 2000.0
	areas := []Area{{ID: "oil", Title: "Oil", Items: []Item{
		{ID: "up", Text: "Relief up", Unit: "psi", Rule: Between},
		{ID: "down", Text: "Relief down", Unit: "psi", Rule: AtMost, Max: &high},
		{ID: "level", Text: "Level", Unit: "mm", Rule: AtLeast, Min: &low},
		{ID: "time", Text: "Time", Unit: "s"},
	}}}
	form := NewForm(areas, nil)
	for key, has := range map[string]bool{
		"check.oil.up.limit_min": true, "check.oil.up.limit_max": true, "check.oil.down.limit_max": false,
		"check.oil.level.limit_min": false, "check.oil.time.limit_min": false,
	} {
		assert.Equal(t, has, form.Field(key) != nil, key)
	}
	k, d := begun(t, t.TempDir(), func(o *Options) { o.Form = form })
	r, err := k.Save(d.ID, 1, map[string]string{
		"check.oil.up.reading": "2100 psi", "check.oil.up.limit_min": "1800", "check.oil.up.limit_max": "138 bar",
		"check.oil.down.reading": "2000", "check.oil.level.reading": "1 799", "check.oil.time.reading": "14",
	}, facts(t, 0))
	require.NoError(t, err)
	require.Empty(t, r.Refusals)
	v, err := k.Finish(d.ID, facts(t, time.Hour))
	require.NoError(t, err)
	var got []string
	for _, i := range v.Areas[0].Items {
		got = append(got, i.Judged)
	}
	assert.Equal(t, []string{Above, Within, Below, ""}, got)
	assert.InDelta(t, 2001.5, *v.Areas[0].Items[0].LimitMax, 0.1)
	next, err := k.Begin("R. Vega", "bcd234", facts(t, 2*time.Hour))
	require.NoError(t, err)
	assert.Equal(t, "1800", next.Fields["check.oil.up.limit_min"])
	assert.Equal(t, v.Areas[0].Items[0].LimitMax, ptr(mustNumber(next.Fields["check.oil.up.limit_max"])))
	assert.Empty(t, next.Fields["check.oil.up.reading"])
}

func ptr(v float64) *float64 { return &v }

// The checklist of the trade names what a service has to look at.
func TestTheChecklistIsComplete(t *testing.T) {
	form := NewForm(DefaultChecklist(), []string{"a"})
	for _, item := range []string{
		"battery-box.hold-down", "battery-box.posts", "battery-box.cables", "battery-box.patch-cables", "feed.plug",
		"feed.indicator-fuse", "pump-motor.control-breaker", "battery-box.charge-breaker", "battery-box.motor-breaker",
		"pump-motor.contactor", "pump-motor.relays", "oil.valves", "oil.oil-level", "oil.relief-up", "oil.relief-down",
		"oil.filter", "oil.breather", "hoses-wiring.hoses", "hoses-wiring.bends", "hoses-wiring.hose-guide",
		"hoses-wiring.wires", "platform.latches", "decals-lights.decals",
	} {
		assert.NotNil(t, form.Field("check."+item+".state"), item)
	}
	for _, a := range DefaultChecklist() {
		for _, i := range a.Items {
			assert.Nil(t, i.Min, "%s: no limit is ours", i.ID)
			assert.Nil(t, i.Max, "%s: no limit is ours", i.ID)
			assert.LessOrEqual(t, len([]rune(i.Text)), 60)
		}
	}
}
