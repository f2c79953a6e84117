package web

import (
	"bytes"
	"encoding/json"
	"net/http"
	"strings"

	"liftbank/agent/page/words"
)

// sessionHeader says in the answer to a browser with a session that it was one. What is kept for when the unit can't be
// reached goes by it: nothing that somebody saw who was signed in outlives the session.
const sessionHeader = "Liftbank-Session"

// offlineRoutes are what a browser asks for besides pages: with them it can be put on a phone's first screen and
// show its last answers when the unit is out of reach.
func (s *Site) offlineRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /manifest.webmanifest", s.manifest)
	mux.HandleFunc("GET /worker.js", s.worker)
}

type icon struct {
	Src     string `json:"src"`
	Sizes   string `json:"sizes"`
	Type    string `json:"type"`
	Purpose string `json:"purpose"`
}

// manifest describes the page as an application (W3C Web Application Manifest).
func (s *Site) manifest(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	name := to.W["Title"]
	if snap := s.Hub.Current(); snap != nil {
		name = snap.Unit
	}
	body, err := json.Marshal(map[string]any{
		"name": to.W["Title"] + " " + name, "short_name": name, "lang": to.Tag, "id": "/", "start_url": "/", "scope": "/",
		"display": "standalone", "background_color": "#ffffff", "theme_color": "#ffffff",
		"icons": []icon{
			{s.Assets.URLs["icon.svg"], "any", "image/svg+xml", "any maskable"},
			{s.Assets.URLs["icon.png"], "512x512", "image/png", "any maskable"},
		},
	})
	if err != nil {
		s.RenderFailed(w, r, err)
		return
	}
	Send(w, r, http.StatusOK, "application/manifest+json", body)
}

// worker sends the script that keeps last answers. It changes with the build: a browser then drops what
// an earlier one kept.
func (s *Site) worker(w http.ResponseWriter, r *http.Request) {
	said := map[string]map[string]string{}
	for _, l := range words.Languages {
		said[l.Tag] = map[string]string{"Seen": l.W["LastSeen"], "Away": l.W["UnitAway"], "None": l.W["UnitAwayNone"]}
	}
	var urls []string
	for _, name := range assetNames() {
		if !strings.HasPrefix(name, "icon.") {
			urls = append(urls, s.Assets.URLs[name])
		}
	}
	var b bytes.Buffer
	for _, set := range []struct {
		name  string
		value any
	}{{"BUILD", s.Assets.Build}, {"ASSETS", urls}, {"MARK", sessionHeader}, {"WORDS", said}} {
		value, err := json.Marshal(set.value)
		if err != nil {
			s.RenderFailed(w, r, err)
			return
		}
		b.WriteString("const " + set.name + " = ")
		b.Write(value)
		b.WriteString(";\n")
	}
	b.Write(mustRead("worker.js"))
	Send(w, r, http.StatusOK, typeScript, b.Bytes())
}
