package page

import (
	"net/http"
	"time"

	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/records"
)

// api answers programs: the snapshot, its findings, and whether the agent is well.
type api struct{ site *web.Site }

// Routes registers the answers.
func (a *api) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /api/v1/snapshot", a.snapshot)
	mux.HandleFunc("GET /api/v1/findings", a.findings)
	mux.HandleFunc("GET /healthz", a.healthz)
	mux.HandleFunc("GET /readyz", a.readyz)
}

func (a *api) snapshot(w http.ResponseWriter, r *http.Request) {
	snap := a.site.Hub.Current()
	if snap == nil {
		a.site.SendError(w, r, http.StatusServiceUnavailable, words.English.W["NoReadingYet"])
		return
	}
	body, err := a.site.Hub.JSON(snap)
	if err != nil {
		a.site.RenderFailed(w, r, err)
		return
	}
	web.Send(w, r, http.StatusOK, web.TypeJSON, body)
}

func (a *api) findings(w http.ResponseWriter, r *http.Request) {
	snap := a.site.Hub.Current()
	if snap == nil {
		a.site.SendError(w, r, http.StatusServiceUnavailable, words.English.W["NoReadingYet"])
		return
	}
	a.site.SendJSON(w, r, http.StatusOK, records.FindingsOf(snap))
}

// healthz reports whether the scan loop runs. Before the first snapshot it has StaleAfter to get
// there.
func (a *api) healthz(w http.ResponseWriter, r *http.Request) {
	if age := a.site.Hub.Age(); age > a.site.StaleAfter {
		text := "scan loop: last snapshot " + age.Round(time.Second).String() + " ago\n"
		web.Send(w, r, http.StatusServiceUnavailable, web.TypeText, []byte(text))
		return
	}
	web.Send(w, r, http.StatusOK, web.TypeText, []byte("ok\n"))
}

// readyz reports whether there is a snapshot to show. A part of the monitor that can't be used, such
// as a full card, is no reason not to be ready: the answer says so.
func (a *api) readyz(w http.ResponseWriter, r *http.Request) {
	snap := a.site.Hub.Current()
	if snap == nil {
		web.Send(w, r, http.StatusServiceUnavailable, web.TypeText, []byte(words.English.W["NoReadingYet"]+"\n"))
		return
	}
	if age := a.site.Hub.Age(); age > a.site.StaleAfter || a.site.Hub.Stalled() {
		text := "last reading " + age.Round(time.Second).String() + " ago\n"
		web.Send(w, r, http.StatusServiceUnavailable, web.TypeText, []byte(text))
		return
	}
	text := "ok\n"
	if len(snap.Troubles) > 0 {
		text = "degraded\n"
		for _, t := range snap.Troubles {
			text += t.Part + ": " + t.Problem + "\n"
		}
	}
	web.Send(w, r, http.StatusOK, web.TypeText, []byte(text))
}
