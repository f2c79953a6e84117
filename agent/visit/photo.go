package visit

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"liftbank/agent/disk"
	"liftbank/agent/safefile"
	"liftbank/agent/visit/picture"
)

// Photo is a picture that was taken during a visit. The record names it; the picture itself stays on
// the unit's card and is never sent.
type Photo struct {
	Name   string    `json:"name"` // p01.jpg
	Of     string    `json:"of"`   // what it shows: check.AREA.ITEM, area.AREA
	At     time.Time `json:"at"`
	By     string    `json:"by,omitempty"`
	Width  int       `json:"width"`
	Height int       `json:"height"`
	Bytes  int       `json:"bytes"`
	Sum    string    `json:"sum"` // of what was sent, so that one sent twice is kept once
}

// Bounds of photos; our choice.
const (
	MaxPhotos      = 24       // of a visit
	MaxPhotoUpload = 16 << 20 // bytes of a photo as it comes
	maxPhotoStore  = 48 << 20 // bytes of all photos on the card: ten visits full of them
)

// Errors of photos. [picture.ErrNoPicture] and [picture.TooLargeError] are the others.
var (
	ErrPhotoBytes = fmt.Errorf("visit: photo: want at most %d MB", MaxPhotoUpload>>20)
	ErrManyPhotos = fmt.Errorf("visit: want at most %d photos", MaxPhotos)
	ErrNoSubject  = errors.New("visit: photo: of nothing on the checklist")
)

var photoName = regexp.MustCompile(`^p[0-9]{2,4}\.jpg$`)

// photoFile is a photo on the card: the visit's name, a point, its own.
var photoFile = regexp.MustCompile(`^([0-9]{8}t[0-9]{6}-[0-9a-z]{6,32})\.(p[0-9]{2,4}\.jpg)$`)

func (k *Store) photoPath(id, name string) string { return filepath.Join(k.o.Dir, id+"."+name) }

// subject reports whether a photo can be of this: an item of the checklist, or an area.
func (f *Form) subject(of string) bool {
	return slices.ContainsFunc(f.Areas, func(a Area) bool {
		return of == "area."+a.ID || slices.ContainsFunc(a.Items, func(i Item) bool { return of == ItemKey(a.ID, i.ID) })
	})
}

// photosOf returns the names of the photos of one thing, nil for none.
func (d *Draft) photosOf(of string) (names []string) {
	for _, p := range d.Photos {
		if p.Of == of {
			names = append(names, p.Name)
		}
	}
	return names
}

// AddPhoto takes in a photo of an item of the checklist. It makes it small, and keeps it and its name
// on the card. One at a time: the others wait. The same photo of the same thing again is taken once.
func (k *Store) AddPhoto(ctx context.Context, id, of string, in io.Reader, now Facts) (*Draft, error) {
	if err := k.roomForPhoto(id, of); err != nil {
		return nil, err
	}
	select {
	case k.photo <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-k.photo }()
	path, sum, err := k.spool(in)
	if path != "" {
		defer func() { _ = disk.Now().Remove(path) }() // the next start removes what stays
	}
	if err != nil {
		return nil, err
	}
	if d := k.Draft(); d != nil && d.ID == id && d.hasPhoto(of, sum) {
		return d, nil
	}
	small, err := picture.Shrink(func() (io.ReadCloser, error) { return disk.Now().Open(path) })
	defer debug.FreeOSMemory() // what the large one took
	if err != nil {
		return nil, err
	}
	return k.keepPhoto(id, Photo{
		Of: of, At: now.At.UTC(), By: now.By, Width: small.Width, Height: small.Height, Bytes: len(small.JPEG), Sum: sum,
	}, small.JPEG)
}

func (d *Draft) hasPhoto(of, sum string) bool {
	return slices.ContainsFunc(d.Photos, func(p Photo) bool { return p.Of == of && p.Sum == sum })
}

// roomForPhoto refuses early what can't be taken.
func (k *Store) roomForPhoto(id, of string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	switch {
	case err != nil:
		return err
	case !k.o.Form.subject(of):
		return ErrNoSubject
	case len(d.Photos) >= MaxPhotos:
		return ErrManyPhotos
	}
	return nil
}

// spool writes what comes to a file, not into memory, and returns its checksum.
func (k *Store) spool(in io.Reader) (path, sum string, err error) {
	f, err := disk.Now().CreateTemp(k.o.Dir, safefile.Unfinished)
	if err != nil {
		return "", "", fmt.Errorf("visits: photo: %w", err)
	}
	hash := sha256.New()
	n, err := io.Copy(io.MultiWriter(f, hash), io.LimitReader(in, MaxPhotoUpload+1))
	if err = errors.Join(err, f.Close()); err != nil {
		return f.Name(), "", fmt.Errorf("visits: photo: %w", err)
	}
	if n > MaxPhotoUpload {
		return f.Name(), "", ErrPhotoBytes
	}
	return f.Name(), hex.EncodeToString(hash.Sum(nil)[:8]), nil
}

// keepPhoto writes a small photo, then the draft that names it.
func (k *Store) keepPhoto(id string, p Photo, jpeg []byte) (*Draft, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	if err != nil {
		return nil, err
	}
	if d.hasPhoto(p.Of, p.Sum) {
		return d, nil
	}
	if len(d.Photos) >= MaxPhotos {
		return nil, ErrManyPhotos
	}
	if err := k.makeRoom(int64(len(jpeg))); err != nil {
		return nil, err
	}
	d.PhotoCount++
	p.Name = fmt.Sprintf("p%02d.jpg", d.PhotoCount)
	path := k.photoPath(id, p.Name)
	if err := safefile.WriteFile(path, jpeg); err != nil {
		return nil, fmt.Errorf("visits: photo: %w", err)
	}
	d.Photos = append(d.Photos, p)
	d.Revision, d.Changed = d.Revision+1, p.At
	d.note(Change{Revision: d.Revision, At: p.At, Key: p.Of + ".photos", New: p.Name, By: p.By})
	kept, err := k.keep(d)
	if err != nil {
		return nil, errors.Join(err, k.remove(path))
	}
	return kept, nil
}

// makeRoom removes the photos of the oldest visits where all would take more than they may. Those of
// the one under way stay.
func (k *Store) makeRoom(n int64) error {
	entries, err := disk.Now().ReadDir(k.o.Dir)
	if err != nil {
		return fmt.Errorf("visits: photo: %w", err)
	}
	type file struct {
		name string
		size int64
	}
	var old []file
	for _, e := range entries {
		m := photoFile.FindStringSubmatch(e.Name())
		if m == nil {
			continue
		}
		info, err := disk.Now().Stat(filepath.Join(k.o.Dir, e.Name()))
		if err != nil {
			return fmt.Errorf("visits: photo: %w", err)
		}
		n += info.Size()
		if m[1] != k.draft.ID {
			old = append(old, file{e.Name(), info.Size()})
		}
	}
	slices.SortStableFunc(old, func(a, b file) int { return strings.Compare(a.name, b.name) })
	for _, f := range old {
		if n <= maxPhotoStore {
			break
		}
		if err := k.remove(filepath.Join(k.o.Dir, f.name)); err != nil {
			return err
		}
		n -= f.size
	}
	return nil
}

// RemovePhoto takes a photo away from the visit under way. One that isn't there changes nothing.
func (k *Store) RemovePhoto(id, name string, now Facts) (*Draft, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(d.Photos, func(p Photo) bool { return p.Name == name })
	if i < 0 {
		return d, nil
	}
	p := d.Photos[i]
	d.Photos = slices.Delete(d.Photos, i, i+1)
	d.Revision, d.Changed = d.Revision+1, now.At.UTC()
	d.note(Change{Revision: d.Revision, At: now.At.UTC(), Key: p.Of + ".photos", Old: p.Name, By: now.By})
	kept, err := k.keep(d)
	if err != nil {
		return nil, err
	}
	if err := k.remove(k.photoPath(id, name)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	return kept, nil
}

// Photo returns a photo of a visit, under way or finished.
func (k *Store) Photo(id, name string) ([]byte, error) {
	if !idForm.MatchString(id) || !photoName.MatchString(name) {
		return nil, ErrNone
	}
	b, err := disk.ReadFile(k.photoPath(id, name))
	if errors.Is(err, os.ErrNotExist) {
		return nil, ErrNone
	}
	if err != nil {
		return nil, fmt.Errorf("visits: photo: %w", err)
	}
	return b, nil
}

// HasPhoto reports whether a photo is still there: those of old visits give room to new ones.
func (k *Store) HasPhoto(id, name string) bool {
	_, err := disk.Now().Stat(k.photoPath(id, name))
	return err == nil
}

// dropStrayPhotos removes photos of the visit under way that it doesn't name: the agent was killed
// between the two.
func (k *Store) dropStrayPhotos() error {
	if k.draft == nil {
		return nil
	}
	entries, err := disk.Now().ReadDir(k.o.Dir)
	if err != nil {
		return fmt.Errorf("visits: %w", err)
	}
	for _, e := range entries {
		m := photoFile.FindStringSubmatch(e.Name())
		if m == nil || m[1] != k.draft.ID {
			continue
		}
		if slices.ContainsFunc(k.draft.Photos, func(p Photo) bool { return p.Name == m[2] }) {
			continue
		}
		if err := k.remove(filepath.Join(k.o.Dir, e.Name())); err != nil {
			return err
		}
	}
	return nil
}
