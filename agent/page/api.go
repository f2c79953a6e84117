package page

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"liftbank/agent/records"
)

const (
	typeJSON = "application/json"
	typeText = "text/plain; charset=utf-8"
	typeHTML = "text/html; charset=utf-8"
)

// errorAnswer is what the API says instead of an answer.
type errorAnswer struct {
	Error string `json:"error"`
}

func (s *Server) apiSnapshot(w http.ResponseWriter, r *http.Request) {
	snap := s.opts.Hub.Current()
	if snap == nil {
		s.sendJSON(w, r, http.StatusServiceUnavailable, errorAnswer{english.W["NoReadingYet"]})
		return
	}
	body, err := s.opts.Hub.JSON(snap)
	if err != nil {
		s.renderFailed(w, r, err)
		return
	}
	send(w, r, http.StatusOK, typeJSON, body)
}

func (s *Server) apiFindings(w http.ResponseWriter, r *http.Request) {
	snap := s.opts.Hub.Current()
	if snap == nil {
		s.sendJSON(w, r, http.StatusServiceUnavailable, errorAnswer{english.W["NoReadingYet"]})
		return
	}
	s.sendJSON(w, r, http.StatusOK, records.FindingsOf(snap))
}

// healthz reports whether the scan loop runs. Before the first snapshot it has StaleAfter to get there.
func (s *Server) healthz(w http.ResponseWriter, r *http.Request) {
	if age := s.opts.Hub.Age(); age > s.opts.StaleAfter {
		send(w, r, http.StatusServiceUnavailable, typeText, []byte("scan loop: last snapshot "+age.Round(time.Second).String()+" ago\n"))
		return
	}
	send(w, r, http.StatusOK, typeText, []byte("ok\n"))
}

// readyz reports whether there is a snapshot to show.
func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	if s.opts.Hub.Current() == nil {
		send(w, r, http.StatusServiceUnavailable, typeText, []byte(english.W["NoReadingYet"]+"\n"))
		return
	}
	send(w, r, http.StatusOK, typeText, []byte("ok\n"))
}

func (s *Server) sendJSON(w http.ResponseWriter, r *http.Request, status int, answer any) {
	body, err := json.Marshal(answer)
	if err != nil {
		s.renderFailed(w, r, err)
		return
	}
	send(w, r, status, typeJSON, body)
}

// renderFailed answers when a snapshot has no JSON or page form, which is a defect of the agent.
func (s *Server) renderFailed(w http.ResponseWriter, r *http.Request, err error) {
	s.opts.Log.Error("snapshot can't be shown", "path", r.URL.Path, "err", err)
	send(w, r, http.StatusInternalServerError, typeText, []byte(english.W["CantShow"]+"\n"))
}

// packAbove is the size in bytes from which packing is worth its while: below, it fits one network packet anyway.
const packAbove = 1200

var packers = sync.Pool{New: func() any { return gzip.NewWriter(nil) }}

// send writes one whole answer, packed if the client takes that.
func send(w http.ResponseWriter, r *http.Request, status int, contentType string, body []byte) {
	w.Header().Set("Content-Type", contentType)
	w.Header().Set("Vary", "Accept-Encoding")
	if len(body) >= packAbove && acceptsGzip(r) {
		body = pack(body)
		w.Header().Set("Content-Encoding", "gzip")
	}
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	_, _ = w.Write(body) // a client that has gone is its own affair
}

func pack(body []byte) []byte {
	var b bytes.Buffer
	z := packers.Get().(*gzip.Writer)
	defer packers.Put(z)
	z.Reset(&b)
	_, err := z.Write(body)
	if err != nil || z.Close() != nil {
		panic("bug: packing into memory can't fail")
	}
	return b.Bytes()
}

// acceptsGzip reads Accept-Encoding as RFC 9110 section 12.5.3 has it, as far as gzip goes.
func acceptsGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		coding, weight, _ := strings.Cut(part, ";")
		if c := strings.TrimSpace(coding); c != "gzip" && c != "*" {
			continue
		}
		_, q, given := strings.Cut(weight, "=")
		if !given {
			return true
		}
		value, err := strconv.ParseFloat(strings.TrimSpace(q), 64)
		return err == nil && value > 0
	}
	return false
}
