package page

import (
	"context"
	"errors"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/calibrate"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/visits"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// calibratePages calibrate the channels of the board: the zero of all current sensors, and one channel
// after the other beside a meter. The server averages and keeps what was taken, so that a phone that goes
// away takes it up again, and two see the same.
type calibratePages struct {
	site   *web.Site
	access *web.Access
	store  *visit.Store   // nil: visits are not kept
	desk   calibrate.Desk // nil: this unit's channels can't be calibrated
}

const (
	pathCalibrate = "/calibrate"
	pathZero      = "/calibrate/zero"
	pathChannel   = "/calibrate/channel/"
)

// Routes registers the pages and their forms.
func (p *calibratePages) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /calibrate", p.overview)
	mux.HandleFunc("GET /calibrate/zero", p.zero)
	mux.HandleFunc("GET /calibrate/channel/{name}", p.channel)
	mux.HandleFunc("GET /calibrate/now", p.now)
	mux.HandleFunc("POST /calibrate/begin", p.begin)
	mux.HandleFunc("POST /calibrate/end", p.end)
	mux.HandleFunc("POST /calibrate/zero", p.takeZero)
	mux.HandleFunc("POST /calibrate/channel/{name}", p.take)
}

// calibrateView is what the pages of calibration see.
type calibrateView struct {
	W       map[string]string
	To      *words.Reader
	Error   string
	Said    string // what has just been done
	NoPIN   bool
	AskPIN  bool
	None    bool // nothing can be calibrated yet
	ID      string
	Token   string
	By      string // of the session
	Name    string // of who signs
	Since   template.HTML
	Mine    bool // a session is under way
	Visit   bool // what is applied goes into the open visit
	Now     liveView
	Sensors []sensorView
	Zeros   bool // there are current sensors

	Path     string // of this step
	Channel  string
	Title    string
	Steps    []string
	Caution  string
	Parted   bool
	Waits    *heldView
	Meters   []view.Choice
	Share    string
	Fixed    string
	Typed    string
	Unit     string
	Points   int
	Result   *resultView
	Rows     []zeroRow // of a zero that was taken
	Refused  string
	Sign     bool // the second tap
	Revision int
	CanUndo  bool
	UndoText string
	Undoing  bool // the second tap of it
	Changes  []string
	WantZero bool
}

// sensorView is a channel in the list.
type sensorView struct {
	Path, Name, Now, Correction, Origin, Moved string
	Beyond                                     bool
	Taken                                      int
}

// liveView is what changes on a page while somebody looks at it.
type liveView struct {
	W      map[string]string
	Rows   []liveRow
	State  string // steady, or what is wanted
	Steady bool
	Of     string
}

type liveRow struct{ Name, Value, Mean, Moved string }

// heldView is a reading that waits for the meter's value.
type heldView struct {
	Value, Width string
	At           template.HTML
}

type pointRow struct{ Meter, Before, After string }

// resultView is what the points of a channel come to.
type resultView struct {
	Points                              []pointRow
	Before, After, ZeroU, GainU, Spread string
	Confirm, NoBetter                   bool
}

type zeroRow struct{ Name, Before, After, Correction string }

func (p *calibratePages) newView(r *http.Request) (calibrateView, *calibrate.Bench) {
	to := words.Of(r)
	v := calibrateView{
		W: to.W, To: to, NoPIN: p.site.PIN == nil, AskPIN: p.site.PIN != nil && !p.site.SignedIn(r), Token: web.Token(),
		Name: visits.NameOf(r),
	}
	if typed := tidyText(r.PostForm.Get("by"), visit.TextLimit); typed != "" {
		v.Name = typed
	}
	if p.desk == nil {
		v.None = true
		return v, nil
	}
	b := p.desk.Bench()
	if b == nil {
		v.None = true
		return v, nil
	}
	if s := p.desk.Session(); s != nil {
		v.Mine, v.ID, v.By, v.Revision = true, s.ID, s.By, s.Revision
		v.Since = view.Time(to, s.Begun, p.site.Facts().At)
	}
	if p.store != nil {
		v.Visit = p.store.Draft() != nil
	}
	v.Zeros = b.HasCurrents()
	return v, b
}

func (p *calibratePages) show(w http.ResponseWriter, r *http.Request, status int, name string, v calibrateView) {
	title := v.W["CalibrateTitle"]
	if v.Title != "" {
		title = v.Title
	}
	p.site.Show(w, r, status, web.Content{
		Template: name, Data: v, Title: title, Nav: "/check", Scripts: []string{"calibrate.js"},
	})
}

// overview lists the channels with their corrections, and begins and ends a calibration.
func (p *calibratePages) overview(w http.ResponseWriter, r *http.Request) {
	p.showOverview(w, r, http.StatusOK, "")
}

func (p *calibratePages) showOverview(w http.ResponseWriter, r *http.Request, status int, problem string) {
	v, b := p.newView(r)
	v.Error = problem
	if b != nil {
		snap := p.site.Hub.Current()
		var s *calibrate.Session
		if v.Mine {
			s = p.desk.Session()
		}
		for i := range b.Channels {
			v.Sensors = append(v.Sensors, sensorOf(v.To, &b.Channels[i], snap, s))
		}
	}
	p.show(w, r, status, "calibrate", v)
}

func sensorOf(to *words.Reader, l *calibrate.Live, snap *snapshot.Snapshot, s *calibrate.Session) sensorView {
	v := sensorView{
		Path: pathChannel + l.Name, Name: visits.ChannelName(to, l.Name), Now: figures.Unknown,
		Correction: to.W["NoCorrection"],
	}
	if l.Now != nil {
		v.Now = visits.Reading(to, *l.Now, l.Unit)
	}
	now := calibrate.Of(l.Was)
	if l.From == "technician" || now != (calibrate.Correction{Gain: 1}) {
		v.Correction = visits.CorrectionText(to, now, l.Unit)
		v.Origin = to.Label("CorrectionFrom", l.From)
		if l.From == "technician" && l.Last != nil && l.Last.After.Same(now) {
			v.Origin = words.Fill(to.W["CorrectionBy"], "by", l.Last.By, "date", l.Last.At.UTC().Format(time.DateOnly))
		}
	}
	if moved := movedOf(snap, l.Name); moved != nil {
		v.Moved = words.Fill(to.W["MovedSince"], "moved", visits.Reading(to, *moved, l.Unit))
	}
	if s != nil && s.Taken[l.Name] != nil {
		v.Taken = len(s.Taken[l.Name].Points)
	}
	return v
}

// upperPost reports whether a channel is the positive post of a battery that stands on another.
func upperPost(s *snapshot.Snapshot, channel string) bool {
	return slices.ContainsFunc(s.Strings, func(st snapshot.String) bool { return channel == "battery_voltage_"+st.To })
}

// movedOf returns by how much a channel has moved since its calibration, nil where it is not known.
func movedOf(snap *snapshot.Snapshot, name string) *float64 {
	if snap == nil {
		return nil
	}
	for i := range snap.Channels {
		if c := &snap.Channels[i]; c.Name == name && c.Calibration != nil {
			return c.Calibration.Moved.Value
		}
	}
	return nil
}

// begin begins a calibration, or joins the one under way.
func (p *calibratePages) begin(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to := words.Of(r)
	by := tidyText(r.PostForm.Get("by"), visit.TextLimit)
	if by == "" {
		p.showOverview(w, r, http.StatusUnprocessableEntity, to.W["WantName"])
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	if _, err := p.desk.Begin(ctx, web.Token(), by); err != nil {
		p.site.Log.Error("calibration not begun", "err", err)
		p.showOverview(w, r, http.StatusInternalServerError, to.W["NotKept"]+". "+to.W["NotKeptMore"])
		return
	}
	visits.KeepName(w, by)
	http.Redirect(w, r, own(r.PostForm.Get("next"), pathCalibrate), http.StatusSeeOther)
}

// own returns a path of these pages, or another.
func own(path, other string) string {
	if path = web.OwnPath(path); path == pathZero || strings.HasPrefix(path, pathChannel) {
		return path
	}
	return other
}

// end ends the calibration under way. What was not applied is forgotten.
func (p *calibratePages) end(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	err := p.desk.End(ctx, r.PostForm.Get("session"), visits.NameOf(r))
	if err != nil && !errors.Is(err, calibrate.ErrNoSession) { // ended on another phone
		p.site.Log.Error("calibration not ended", "err", err)
		p.showOverview(w, r, http.StatusInternalServerError, words.Of(r).W["NotTaken"]+" "+err.Error())
		return
	}
	http.Redirect(w, r, pathCalibrate, http.StatusSeeOther)
}

// pass lets a form through that comes from somebody who may change something, to a unit that has
// channels.
func (p *calibratePages) pass(w http.ResponseWriter, r *http.Request) bool {
	if !p.site.ReadForm(w, r) || !p.access.Authorize(w, r) {
		return false
	}
	if p.desk == nil {
		p.site.Fail(w, r, http.StatusServiceUnavailable, web.Message{Head: words.Of(r).W["CantAct"]})
		return false
	}
	return true
}

// now sends the part of a page that changes while somebody looks at it.
func (p *calibratePages) now(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	var b *calibrate.Bench
	if p.desk != nil {
		b = p.desk.Bench()
	}
	of := r.URL.Query().Get("of")
	if b == nil || of != "zero" && b.Of(of) == nil {
		p.site.SendError(w, r, http.StatusNotFound, to.W["NoReadingYet"])
		return
	}
	v := zeroNow(to, b, r.URL.Query().Get("parted") != "")
	if of != "zero" {
		v = channelNow(to, b, of)
	}
	html, err := web.Execute("calibrate-live", v)
	if err != nil {
		p.site.RenderFailed(w, r, err)
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	web.Send(w, r, http.StatusOK, web.TypeHTML, html)
}

// zeroNow returns what all current sensors show.
func zeroNow(to *words.Reader, b *calibrate.Bench, parted bool) liveView {
	v := liveView{W: to.W, Of: "zero"}
	for i := range b.Channels {
		if l := &b.Channels[i]; l.Quantity == calibrate.Current {
			v.Rows = append(v.Rows, liveOf(to, l, l.Long, l.LongOK))
		}
	}
	v.state(to, b.ReadyZero(parted), "A")
	return v
}

// channelNow returns what a channel shows.
func channelNow(to *words.Reader, b *calibrate.Bench, name string) liveView {
	l := b.Of(name)
	v := liveView{W: to.W, Of: name, Rows: []liveRow{liveOf(to, l, l.Hold, l.HoldOK)}}
	v.state(to, b.Ready(name), l.Unit)
	return v
}

func liveOf(to *words.Reader, l *calibrate.Live, m calibrate.Mean, ok bool) liveRow {
	r := liveRow{Name: visits.ChannelName(to, l.Name), Value: figures.Unknown, Mean: figures.Unknown, Moved: figures.Unknown}
	if l.Now != nil {
		r.Value = visits.Reading(to, *l.Now, l.Unit)
	}
	if ok && l.Now != nil {
		gain := calibrate.Of(l.Was).Gain
		r.Mean = visits.Reading(to, l.Was.Apply(m.Value), l.Unit) + " ± " + visits.Width(to, m.Spread*gain, l.Unit)
		r.Moved = visits.Width(to, m.Drift*gain, l.Unit)
	}
	return r
}

func (v *liveView) state(to *words.Reader, why *calibrate.Refusal, unit string) {
	if v.Steady = why == nil; v.Steady {
		v.State = to.W["Steady"]
		return
	}
	v.State = refused(to, why, unit)
}

// refused says why something can't be right, with the figures.
func refused(to *words.Reader, why *calibrate.Refusal, unit string) string {
	value, want := visits.Reading(to, why.Value, unit), visits.Width(to, why.Want, unit)
	switch why.ID {
	case calibrate.TooFew:
		value, want = figures.Short(&why.Value, 0, false)+"\u00a0s", figures.Short(&why.Want, 0, false)+"\u00a0s"
	case calibrate.GainWrong, calibrate.WantsConfirm:
		pct := 100 * why.Want
		value, want = figures.Short(&why.Value, 3, false), figures.Short(&pct, 1, false)+"\u00a0%"
	case calibrate.TooMany:
		value, want = strconv.Itoa(int(why.Value)), strconv.Itoa(int(why.Want))
	case calibrate.Drifts, calibrate.Scatters, calibrate.BankMoved, calibrate.PointsClose, calibrate.Disagree:
		value = visits.Width(to, why.Value, unit)
	case calibrate.MeterBeyond:
		want = visits.Reading(to, why.Want, unit)
	}
	return words.Fill(to.W["Refused."+why.ID], "value", value, "want", want)
}

// zero is the page that takes the zero of all current sensors.
func (p *calibratePages) zero(w http.ResponseWriter, r *http.Request) {
	p.showZero(w, r, http.StatusOK, "")
}

func (p *calibratePages) showZero(w http.ResponseWriter, r *http.Request, status int, problem string) {
	v, b := p.newView(r)
	v.Error, v.Path, v.Title = problem, pathZero, v.W["ZeroTitle"]
	v.Steps, v.Caution, v.Parted = v.To.List("ZeroStep"), v.W["CautionPosts"], r.PostForm.Get("parted") != ""
	v.Sign = r.URL.Query().Has("sign") || r.PostForm.Get("do") == "apply"
	v.Said = v.W["CalibrateSaid."+r.URL.Query().Get("done")]
	if b == nil || !v.Zeros {
		v.None = true
		p.show(w, r, status, "calibrate-zero", v)
		return
	}
	v.Now = zeroNow(v.To, b, v.Parted)
	if v.Mine {
		s := p.desk.Session()
		for i := range b.Channels {
			l := &b.Channels[i]
			if l.Quantity != calibrate.Current || s.Taken[l.Name] == nil || s.Taken[l.Name].Zero == nil {
				continue
			}
			res, why := s.ZeroResult(b, l.Name)
			if why != nil {
				v.Refused = refused(v.To, why, l.Unit)
				continue
			}
			at := res.Points[0]
			v.Rows = append(v.Rows, zeroRow{
				Name: visits.ChannelName(v.To, l.Name), Before: visits.Reading(v.To, at.Before, l.Unit),
				After:      visits.Reading(v.To, at.After, l.Unit) + " ± " + visits.Width(v.To, res.ZeroU, l.Unit),
				Correction: visits.CorrectionText(v.To, calibrate.Of(res.Correction), l.Unit),
			})
		}
	}
	v.Changes = v.To.List("ChangesZero")
	p.show(w, r, status, "calibrate-zero", v)
}

// takeZero takes, drops or applies the zero.
func (p *calibratePages) takeZero(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, form := words.Of(r), r.PostForm
	switch form.Get("do") {
	case "take":
		if form.Has("pin") { // what the sensors show is of after the PIN, and somebody may have closed something
			p.showZero(w, r, http.StatusOK, to.W["HoldAgain"])
			return
		}
		parted := form.Get("parted") != ""
		p.change(w, r, pathZero, "A", p.showZero, func(s *calibrate.Session, b *calibrate.Bench) *calibrate.Refusal {
			return s.TakeZero(b, parted)
		})
	case "drop":
		p.change(w, r, pathZero, "A", p.showZero, func(s *calibrate.Session, _ *calibrate.Bench) *calibrate.Refusal {
			s.Drop("", true)
			return nil
		})
	case "apply":
		p.apply(w, r, "", pathZero, "A", p.showZero)
	default:
		p.showZero(w, r, http.StatusUnprocessableEntity, to.W["BadFormMore"])
	}
}

// again shows a step with a problem.
type again func(w http.ResponseWriter, r *http.Request, status int, problem string)

// change lets a form change the session, and leads back to its page.
func (p *calibratePages) change(
	w http.ResponseWriter, r *http.Request, path, unit string, show again,
	change func(*calibrate.Session, *calibrate.Bench) *calibrate.Refusal,
) {
	to, form := words.Of(r), r.PostForm
	if !goodToken(form.Get("token")) {
		show(w, r, http.StatusBadRequest, to.W["BadFormMore"])
		return
	}
	_, why, err := p.desk.Change(r.Context(), form.Get("session"), form.Get("token"), change)
	switch {
	case err != nil:
		p.failed(w, r, show, err)
	case why != nil:
		show(w, r, http.StatusUnprocessableEntity, refused(to, why, unit))
	default:
		http.Redirect(w, r, path, http.StatusSeeOther)
	}
}

func goodToken(t string) bool { return len(t) >= 8 && len(t) <= 64 }

// failed says what could not be done.
func (p *calibratePages) failed(w http.ResponseWriter, r *http.Request, show again, err error) {
	to := words.Of(r)
	switch {
	case errors.Is(err, calibrate.ErrNoSession):
		show(w, r, http.StatusConflict, to.W["CalibrateOver"])
	case errors.Is(err, calibrate.ErrChanged):
		show(w, r, http.StatusConflict, to.W["CalibrateChanged"])
	case errors.Is(err, calibrate.ErrNoUndo):
		show(w, r, http.StatusConflict, to.W["CalibrateNoUndo"])
	case errors.Is(err, calibrate.ErrNoName):
		show(w, r, http.StatusUnprocessableEntity, to.W["WantName"])
	default:
		p.site.Log.Error("calibration: not kept", "err", err)
		show(w, r, http.StatusInternalServerError, to.W["NotKept"]+". "+to.W["NotKeptMore"])
	}
}

// apply applies what was taken, signed, and writes it into the open visit.
func (p *calibratePages) apply(w http.ResponseWriter, r *http.Request, channel, path, unit string, show again) {
	to, form := words.Of(r), r.PostForm
	by := tidyText(form.Get("by"), visit.TextLimit)
	revision, err := strconv.Atoi(form.Get("revision"))
	switch {
	case by == "":
		show(w, r, http.StatusUnprocessableEntity, to.W["WantName"])
		return
	case err != nil || !goodToken(form.Get("token")):
		show(w, r, http.StatusBadRequest, to.W["BadFormMore"])
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	records, why, err := p.desk.Apply(ctx, form.Get("session"), form.Get("token"), channel, by, revision)
	switch {
	case err != nil:
		p.failed(w, r, show, err)
		return
	case why != nil:
		show(w, r, http.StatusUnprocessableEntity, refused(to, why, unit))
		return
	}
	visits.KeepName(w, by)
	p.wrote(w, r, records, form.Get("token"), path, "applied", show)
}

// wrote writes what was applied into the open visit, and leads back.
func (p *calibratePages) wrote(
	w http.ResponseWriter, r *http.Request, records []calibrate.Record, token, path, done string, show again,
) {
	for i := range records {
		if err := p.note(r, &records[i], token+"-"+strconv.Itoa(i)); err != nil {
			p.site.Log.Error("calibration applied, not written into the visit", "err", err)
			show(w, r, http.StatusInternalServerError, words.Of(r).W["CalibrateNotNoted"])
			return
		}
	}
	http.Redirect(w, r, path+"?done="+done, http.StatusSeeOther)
}

// note writes a calibration into the open visit.
func (p *calibratePages) note(r *http.Request, rec *calibrate.Record, id string) error {
	if p.store == nil {
		return nil
	}
	d := p.store.Draft()
	if d == nil {
		return nil
	}
	f := p.site.Facts()
	f.By = visits.NameOf(r)
	_, err := p.store.AddWork(r.Context(), d.ID, visit.Work{
		ID: id, Kind: visit.ChannelCalibrated, Note: visits.Calibrated(words.Readers[0], rec), Calibrated: rec,
	}, f)
	if errors.Is(err, visit.ErrNoDraft) || errors.Is(err, visit.ErrWrongVisit) { // ended meanwhile
		return nil
	}
	return err
}

// channel is the page that sets one channel beside a meter.
func (p *calibratePages) channel(w http.ResponseWriter, r *http.Request) {
	p.showChannel(w, r, http.StatusOK, "")
}

func (p *calibratePages) showChannel(w http.ResponseWriter, r *http.Request, status int, problem string) {
	name := r.PathValue("name")
	v, b := p.newView(r)
	if b == nil || b.Of(name) == nil {
		if b != nil && status == http.StatusOK {
			status = http.StatusNotFound
		}
		v.None, v.Error = true, problem
		p.show(w, r, status, "calibrate-channel", v)
		return
	}
	l, to := b.Of(name), v.To
	q := string(l.Quantity)
	v.Error, v.Path, v.Channel, v.Title = problem, pathChannel+name, name, visits.ChannelName(to, name)
	v.Said = v.W["CalibrateSaid."+r.URL.Query().Get("done")]
	v.Sign = r.URL.Query().Has("sign") || r.PostForm.Get("do") == "apply"
	v.Undoing = r.URL.Query().Has("back") || r.PostForm.Get("do") == "undo"
	v.Steps, v.Changes = to.List("MeterStep."+q), to.List("ChangesMeter."+q)
	v.Caution = v.W["CautionPosts"]
	if snap := p.site.Hub.Current(); snap != nil && upperPost(snap, name) {
		v.Steps = append(v.Steps, to.W["CheckMeterSeries"])
	}
	if l.Quantity == calibrate.Current {
		v.Caution = v.W["CautionPlatform"]
	}
	if v.Unit = l.Unit; l.Unit == "°C" {
		v.Unit = to.TempUnit()
	}
	v.Now = channelNow(to, b, name)
	v.Typed = tidyText(r.PostForm.Get("value"), 40)
	if v.CanUndo = l.CanUndo(); v.CanUndo {
		v.UndoText = visits.CorrectionText(to, l.Last.Before, l.Unit)
	}
	if !v.Mine {
		p.show(w, r, status, "calibrate-channel", v)
		return
	}
	s := p.desk.Session()
	meter, known := s.Meters[l.Quantity]
	p.meters(&v, l, meter, known, r.PostForm)
	if t := s.Taken[name]; t != nil {
		v.WantZero = l.Quantity == calibrate.Current && t.Zero == nil
		v.Points = len(t.Points)
		if t.Held != nil {
			shown := l.Was.Apply(t.Held.Value)
			v.Waits = &heldView{
				Value: visits.Reading(to, shown, l.Unit), Width: visits.Width(to, t.Held.Spread, l.Unit),
				At: view.Time(to, t.HeldAt, p.site.Facts().At),
			}
		}
		if v.Points > 0 {
			p.result(&v, s, b, l)
		}
	} else {
		v.WantZero = l.Quantity == calibrate.Current
	}
	p.show(w, r, status, "calibrate-channel", v)
}

// meters fills in the choice of a meter: as it was sent, else the session's.
func (p *calibratePages) meters(v *calibrateView, l *calibrate.Live, has calibrate.Meter, known bool, form url.Values) {
	chosen := has.ID
	if sent := form.Get("meter"); sent != "" {
		chosen = sent
	}
	presets := calibrate.Meters(l.Quantity)
	if chosen == "" {
		chosen = presets[0].ID
	}
	for _, m := range append(presets[:len(presets):len(presets)], calibrate.Meter{ID: calibrate.OtherMeter}) {
		text := v.To.Label("Meter", m.ID)
		if m.ID != calibrate.OtherMeter {
			text = visits.MeterText(v.To, m, l.Unit)
		}
		v.Meters = append(v.Meters, view.Choice{Value: m.ID, Text: text, Chosen: m.ID == chosen})
	}
	v.Share, v.Fixed = tidyText(form.Get("share"), 20), tidyText(form.Get("fixed"), 20)
	if known && has.ID == calibrate.OtherMeter && v.Share+v.Fixed == "" {
		v.Share, v.Fixed = figures.Number(100*has.Share, 0), figures.Number(has.Fixed, 0)
	}
}

// result fills in what the points come to.
func (p *calibratePages) result(v *calibrateView, s *calibrate.Session, b *calibrate.Bench, l *calibrate.Live) {
	to := v.To
	res, why := s.Result(b, l.Name)
	if why != nil {
		v.Refused = refused(to, why, l.Unit)
		return
	}
	out := &resultView{
		Before: visits.CorrectionText(to, calibrate.Of(l.Was), l.Unit), Confirm: res.Confirm, NoBetter: res.NoBetter,
		After: visits.CorrectionText(to, calibrate.Of(res.Correction), l.Unit),
	}
	if res.ZeroKnown {
		out.ZeroU = visits.Width(to, res.ZeroU, l.Unit)
	}
	if res.GainU > 0 {
		pct := 100 * res.GainU
		out.GainU = figures.Short(&pct, 2, false) + "\u00a0%"
	}
	if res.Spread > 0 {
		out.Spread = visits.Width(to, res.Spread, l.Unit)
	}
	for _, a := range res.Points {
		row := pointRow{
			Meter: visits.Reading(to, a.Meter, l.Unit), Before: visits.Reading(to, a.Before, l.Unit),
			After: visits.Reading(to, a.After, l.Unit) + " ± " + visits.Width(to, a.U, l.Unit),
		}
		if a.Zero {
			row.Meter = v.W["ZeroPoint"]
		}
		out.Points = append(out.Points, row)
	}
	v.Result = out
}

// heldFor is how long a reading waits for its meter's value: who comes later has read another moment.
const heldFor = 10 * time.Minute

// take holds a reading, takes the meter's value, applies or takes back.
func (p *calibratePages) take(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, form, name := words.Of(r), r.PostForm, r.PathValue("name")
	b := p.desk.Bench()
	if b == nil || b.Of(name) == nil {
		p.showChannel(w, r, http.StatusNotFound, to.W["ChannelSilent"])
		return
	}
	l, path := b.Of(name), pathChannel+name
	now := p.site.Facts().At
	switch form.Get("do") {
	case "hold":
		if form.Has("pin") { // the reading is of after the PIN, and the meter was read before it
			p.showChannel(w, r, http.StatusOK, to.W["HoldAgain"])
			return
		}
		p.change(w, r, path, l.Unit, p.showChannel, func(s *calibrate.Session, b *calibrate.Bench) *calibrate.Refusal {
			return s.Hold(b, name, now)
		})
	case "enter":
		p.enter(w, r, l, path, now)
	case "release":
		p.change(w, r, path, l.Unit, p.showChannel, func(s *calibrate.Session, _ *calibrate.Bench) *calibrate.Refusal {
			s.Release(name)
			return nil
		})
	case "drop":
		p.change(w, r, path, l.Unit, p.showChannel, func(s *calibrate.Session, _ *calibrate.Bench) *calibrate.Refusal {
			s.Drop(name, false)
			return nil
		})
	case "apply":
		p.apply(w, r, name, path, l.Unit, p.showChannel)
	case "undo":
		p.undo(w, r, name, path)
	default:
		p.showChannel(w, r, http.StatusUnprocessableEntity, to.W["BadFormMore"])
	}
}

// enter takes the meter's value for the reading that is held.
func (p *calibratePages) enter(w http.ResponseWriter, r *http.Request, l *calibrate.Live, path string, now time.Time) {
	to, form := words.Of(r), r.PostForm
	meter, ok := meterOf(to, form, l)
	if !ok {
		p.showChannel(w, r, http.StatusUnprocessableEntity, to.W["WantAccuracy"])
		return
	}
	value, half, problem := meterValue(to, form.Get("value"), l.Unit)
	if problem != "" {
		p.showChannel(w, r, http.StatusUnprocessableEntity, problem)
		return
	}
	if s := p.desk.Session(); s != nil && s.Taken[l.Name] != nil && s.Taken[l.Name].Held != nil &&
		now.Sub(s.Taken[l.Name].HeldAt).Abs() > heldFor {
		p.showChannel(w, r, http.StatusUnprocessableEntity, to.W["HeldLong"])
		return
	}
	p.change(w, r, path, l.Unit, p.showChannel, func(s *calibrate.Session, b *calibrate.Bench) *calibrate.Refusal {
		return s.Enter(b, l.Name, meter, value, half)
	})
}

// meterOf returns the meter that a form names: a preset, or one whose accuracy was typed.
func meterOf(to *words.Reader, form url.Values, l *calibrate.Live) (calibrate.Meter, bool) {
	id := form.Get("meter")
	if id != calibrate.OtherMeter {
		return calibrate.MeterOf(l.Quantity, id)
	}
	number := func(name string) (float64, bool) {
		text := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(form.Get(name)), "%"))
		if text == "" {
			return 0, true
		}
		return visit.ParseNumber(text)
	}
	pct, ok := number("share")
	fixed, ok2 := number("fixed")
	if l.Unit == "°C" && to.Fahrenheit {
		fixed *= 5.0 / 9
	}
	m := calibrate.Meter{ID: id, Share: pct / 100, Fixed: fixed}
	return m, ok && ok2 && m.Possible()
}

var digits = regexp.MustCompile(`[0-9][0-9.,]*`)

// meterValue reads a meter's value as people type it, and half of its last digit.
func meterValue(to *words.Reader, text, unit string) (value, half float64, problem string) {
	asked := text
	if unit == "°C" && to.Fahrenheit && !strings.ContainsAny(strings.ToLower(text), "cfº°") {
		text += " °F"
	}
	value, why := visit.ParseQuantity(text, unit)
	if why == visit.Ambiguous { // no channel shows thousands
		text = strings.Replace(text, ",", ".", 1)
		value, why = visit.ParseQuantity(text, unit)
	}
	if why == visit.OutOfSpan {
		return math.MaxFloat32, 0, "" // a number, and beyond any channel: what is refused says so
	}
	if why != "" {
		shown := unit
		if unit == "°C" {
			shown = to.TempUnit()
		}
		key := "WantMeter"
		if why == visit.WrongUnit {
			key = "WantMeterUnit"
		}
		return 0, 0, words.Fill(to.W[key], "unit", shown, "typed", tidyText(asked, 40))
	}
	number := digits.FindString(text)
	half = 0.5
	if at := strings.LastIndexAny(number, ".,"); at >= 0 {
		half *= math.Pow10(-(len(number) - at - 1))
	}
	if plain, ok := visit.ParseNumber(number); ok && plain != 0 && unit != "°C" { // typed in mV, it has other digits
		half *= math.Abs(value / plain)
	} else if unit == "°C" && strings.Contains(strings.ToLower(text), "f") {
		half *= 5.0 / 9
	}
	return value, half, ""
}

// undo takes the last calibration of a channel back.
func (p *calibratePages) undo(w http.ResponseWriter, r *http.Request, name, path string) {
	to, form := words.Of(r), r.PostForm
	by := tidyText(form.Get("by"), visit.TextLimit)
	switch {
	case by == "":
		p.showChannel(w, r, http.StatusUnprocessableEntity, to.W["WantName"])
		return
	case !goodToken(form.Get("token")):
		p.showChannel(w, r, http.StatusBadRequest, to.W["BadFormMore"])
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	rec, err := p.desk.Undo(ctx, name, by)
	if err != nil {
		p.failed(w, r, p.showChannel, err)
		return
	}
	visits.KeepName(w, by)
	p.wrote(w, r, []calibrate.Record{rec}, form.Get("token"), path, "undone", p.showChannel)
}
