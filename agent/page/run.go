package page

import (
	"net/http"
	"time"
)

// apiRun answers with the first second of a motor run; at is its start, as in the history.
func (s *Server) apiRun(w http.ResponseWriter, r *http.Request) {
	if s.opts.History == nil {
		s.sendJSON(w, r, http.StatusServiceUnavailable, errorAnswer{"no history is stored"})
		return
	}
	at, err := time.Parse(time.RFC3339, r.URL.Query().Get("at"))
	if err != nil {
		s.sendJSON(w, r, http.StatusBadRequest, errorAnswer{"at: want the start of a motor run, such as 2026-03-09T13:41:07.218Z"})
		return
	}
	trace, err := s.opts.History.FirstSecond(r.Context(), at)
	switch {
	case err != nil:
		s.opts.Log.Error("history can't be read", "err", err)
		s.sendJSON(w, r, http.StatusInternalServerError, errorAnswer{"history can't be read"})
	case len(trace.Series) == 0:
		s.sendJSON(w, r, http.StatusNotFound, errorAnswer{"no first second is stored of a motor run at that time"})
	default:
		s.sendJSON(w, r, http.StatusOK, trace)
	}
}
