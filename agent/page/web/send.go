package web

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"sync"

	"liftbank/agent/page/words"
)

// Content types of answers.
const (
	TypeJSON = "application/json"
	TypeText = "text/plain; charset=utf-8"
	TypeHTML = "text/html; charset=utf-8"
	TypeJPEG = "image/jpeg"
)

// errorAnswer is what the API says instead of an answer.
type errorAnswer struct {
	Error string `json:"error"`
}

// SendJSON answers with JSON.
func (s *Site) SendJSON(w http.ResponseWriter, r *http.Request, status int, answer any) {
	body, err := json.Marshal(answer)
	if err != nil {
		s.RenderFailed(w, r, err)
		return
	}
	Send(w, r, status, TypeJSON, body)
}

// SendError answers a program with an error.
func (s *Site) SendError(w http.ResponseWriter, r *http.Request, status int, text string) {
	s.SendJSON(w, r, status, errorAnswer{text})
}

// RenderFailed answers when a snapshot has no JSON or page form, which is a defect of the agent.
func (s *Site) RenderFailed(w http.ResponseWriter, r *http.Request, err error) {
	s.Log.Error("snapshot can't be shown", "path", r.URL.Path, "err", err)
	Send(w, r, http.StatusInternalServerError, TypeText, []byte(words.English.W["CantShow"]+"\n"))
}

// packAbove is the size in bytes from which packing is worth its while: below, it fits one network
// packet anyway.
const packAbove = 1200

var packers = sync.Pool{New: func() any { return gzip.NewWriter(nil) }}

// Send writes one whole answer, packed if the client takes that.
func Send(w http.ResponseWriter, r *http.Request, status int, contentType string, body []byte) {
	end, ok := begin(r)
	if !ok {
		return
	}
	packed := len(body) >= packAbove && contentType != TypeJPEG && acceptsGzip(r) // a JPEG is packed already
	if packed {
		body = pack(body)
	}
	end()
	if !reserve(r, int64(len(body))) {
		busy(w)
		return
	}
	w.Header().Set("Content-Type", contentType)
	w.Header().Set("Vary", "Accept-Encoding")
	if packed {
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
