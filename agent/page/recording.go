package page

import (
	"context"
	"errors"
	"mime"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"liftbank/agent/page/listen"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
)

// Recording keeps the last days of the unit at full rate.
type Recording interface {
	// Copy writes all that was recorded so far to one file, and returns its path.
	Copy(ctx context.Context) (string, error)
	LastCopy() string // path; empty: there is none
	Problem() string  // why nothing is recorded at present; empty: all is well
}

// recordingPages copy the recording, and give the copy away.
type recordingPages struct {
	site     *web.Site
	access   *web.Access
	source   Recording       // nil: nothing is recorded
	stopping context.Context // ends copies that nobody waits for any more
}

// Routes registers what is done with the recording. It is shown on the page of history.
func (p *recordingPages) Routes(mux *http.ServeMux) {
	mux.HandleFunc("POST /recording/copy", p.copy)
	mux.HandleFunc("GET /recording/copy", p.send)
}

// recordingView is the recording on the page of history.
type recordingView struct{ Problem, Copy string }

func recordingOf(r Recording) *recordingView {
	if r == nil {
		return nil
	}
	v := &recordingView{Problem: r.Problem()}
	if path := r.LastCopy(); path != "" {
		v.Copy = filepath.Base(path)
	}
	return v
}

// copyWait is how long somebody waits for a copy: a long one goes on without.
const copyWait = listen.WriteLimit / 2

// copy makes a copy of the recording.
func (p *recordingPages) copy(w http.ResponseWriter, r *http.Request) {
	if !p.site.ReadForm(w, r) || !p.access.Authorize(w, r) || p.none(w, r) {
		return
	}
	to := words.Of(r)
	type answer struct {
		path string
		err  error
	}
	done := make(chan answer, 1)
	go func() {
		path, err := p.source.Copy(p.stopping)
		if err != nil && !errors.Is(err, context.Canceled) {
			p.site.Log.Warn("recording not copied", "err", err)
		}
		done <- answer{path, err}
	}()
	m := web.Message{Head: to.W["RecordingCopying"], Text: to.W["RecordingLater"], Path: "/history",
		Link: to.W["NavHistory"]}
	select {
	case a := <-done:
		if a.err != nil {
			m.Head, m.Text = to.W["RecordingFailed"], a.err.Error()
			p.site.Fail(w, r, http.StatusInternalServerError, m)
			return
		}
		p.site.Log.Info("recording copied", "file", a.path)
		m.Head, m.Text = to.W["RecordingCopied"], a.path
	case <-time.After(copyWait):
	case <-r.Context().Done():
		return
	}
	p.site.Say(w, r, http.StatusOK, m)
}

// none answers where nothing is recorded.
func (p *recordingPages) none(w http.ResponseWriter, r *http.Request) bool {
	if p.source != nil {
		return false
	}
	to := words.Of(r)
	p.site.Fail(w, r, http.StatusNotFound, web.Message{Head: to.W["NotFound"], Text: to.W["RecordingNone"],
		Path: "/history", Link: to.W["NavHistory"]})
	return true
}

// send gives the newest copy to who has the PIN: it is large, and the board's link may be slow.
func (p *recordingPages) send(w http.ResponseWriter, r *http.Request) {
	if !p.access.Require(w, r) || p.none(w, r) {
		return
	}
	path := p.source.LastCopy()
	f, err := os.Open(path)
	if err != nil {
		to := words.Of(r)
		p.site.Fail(w, r, http.StatusNotFound, web.Message{Head: to.W["NotFound"], Text: to.W["RecordingNoCopy"],
			Path: "/history", Link: to.W["NavHistory"]})
		return
	}
	defer f.Close()
	name := filepath.Base(path)
	w.Header().Set("Content-Type", "application/gzip")
	w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	http.ServeContent(patient{w, http.NewResponseController(w)}, r, name, time.Time{}, f)
}

// patient is an answer whose time limit starts again with each part of it.
type patient struct {
	http.ResponseWriter
	control *http.ResponseController
}

func (p patient) Write(b []byte) (int, error) {
	err := p.control.SetWriteDeadline(time.Now().Add(listen.WriteLimit))
	if err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.ResponseWriter.Write(b)
}
