package visits

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

type batteryPage struct {
	ownForm
	Head     string
	Yes      string
	Out      string // what stands there now
	DateCode string // what the date code says, or that it is kept as text
	Token    string
	New      bool // another battery comes in
	Ask      bool // the second tap
	Ahead    string
	InSeries string // what replacing one of two means; empty in parallel
	Undo     []undoView
	Problem  string
}

// undoView is a replacement that can be taken back.
type undoView struct{ ID, Text string }

// showBattery is what is known of one battery, and the way to replace it.
func (p *Forms) showBattery(w http.ResponseWriter, r *http.Request) {
	if d, ok := p.under(w, r, r.PathValue("battery")); ok {
		p.batteryPage(w, r, http.StatusOK, d, batteryPage{
			ownForm: ownForm{Battery: r.PathValue("battery")}, New: r.URL.Query().Has("new"),
		}, nil)
	}
}

func (p *Forms) batteryPage(
	w http.ResponseWriter, r *http.Request, status int, d *visit.Draft, v batteryPage, refused []visit.Refusal,
) {
	to := words.Of(r)
	v.W, v.To, v.Draft, v.Token = to.W, to, d, web.Token()
	label := p.labelFor(d, v.Battery, v.New)
	for _, what := range fitKeys(v.New) {
		v.Fields = append(v.Fields, p.ownField(to, &v.ownForm, "fit."+v.Battery+"."+what, label[what], refused))
	}
	if code := label["date_code"]; code != "" {
		v.DateCode = dateCode(to, code, p.site.Facts())
	}
	if b := batteryOf(p.site.Hub.Current(), v.Battery); b != nil {
		v.Out = inPlace(to, b)
	}
	v.Ahead, v.Yes = words.Fill(to.W["ReplaceAsk"], "battery", v.Battery), words.Fill(to.W["ReplaceYes"], "battery", v.Battery)
	if snap := p.site.Hub.Current(); snap != nil && len(snap.Strings) > 0 {
		v.InSeries = to.W["ReplaceSeries"]
	}
	if v.Head = words.Fill(to.W["BatteryOf"], "battery", v.Battery); v.New {
		v.Head = words.Fill(to.W["BatteryNew"], "battery", v.Battery)
	}
	for _, k := range d.Work {
		if k.Kind == visit.BatteryReplaced && k.Subject == v.Battery && k.Removed != nil && k.TakenBack == nil {
			v.Undo = []undoView{{k.ID, words.Fill(to.W["ReplacedAt"], "battery", v.Battery,
				"time", k.At.UTC().Format("15:04 UTC"))}}
		}
	}
	p.show(w, r, status, d, web.Content{Template: "battery", Data: v, Title: words.Fill(to.W["BatteryOf"], "battery", v.Battery)})
}

// dateCode says what a date code means, or why it is kept as it is.
func dateCode(to *words.Reader, code string, now visit.Facts) string {
	at := now.At
	if !now.ClockTrusted {
		at = time.Time{}
	}
	switch made := visit.ReadDateCode(code, at); {
	case len(made.Can) == 1 && made.Trade:
		return words.Fill(to.W["DateCodeTrade"], "made", made.Can[0])
	case len(made.Can) == 1:
		return words.Fill(to.W["DateCodeMade"], "made", made.Can[0])
	case len(made.Can) > 1:
		return words.Fill(to.W["DateCodeEither"], "one", made.Can[0], "other", strings.Join(made.Can[1:], ", "))
	}
	return to.W["DateCodeText"]
}

// fitKeys returns what is asked of a battery: of one that stays not what it is rated.
func fitKeys(another bool) []string {
	if another {
		return visit.FitKeys
	}
	return []string{"place", "make", "serial", "date_code", "installed", "warranty_until"}
}

// labelFor returns what the fields of a battery's label begin with: what was typed, else for one that
// stays what is known of it.
func (p *Forms) labelFor(d *visit.Draft, battery string, another bool) map[string]string {
	if another {
		return d.Label(battery, p.site.Facts())
	}
	label := map[string]string{}
	if b := batteryOf(p.site.Hub.Current(), battery); b != nil && b.Passport != nil {
		label = map[string]string{
			"make": b.Passport.Make, "serial": b.Passport.Serial, "date_code": b.Passport.DateCode,
			"installed": b.Passport.Installed, "warranty_until": b.Passport.WarrantyUntil, "place": b.Passport.Place,
		}
	}
	for _, what := range fitKeys(false) {
		if typed := d.Fields["fit."+battery+"."+what]; typed != "" {
			label[what] = typed
		}
	}
	return label
}

// inPlace describes a battery in one line.
func inPlace(to *words.Reader, b *snapshot.Battery) string {
	parts := []string{
		to.Label("Choice", b.Chemistry), figures.Number(b.RatedAh, 0) + noBreak + "Ah", amps(b.RatedCCA),
	}
	if q := b.Passport; q != nil {
		for _, x := range []struct{ key, value string }{
			{"", q.Make}, {"Field.fit.serial", q.Serial}, {"InSince", q.Installed},
		} {
			if x.value != "" {
				parts = append(parts, strings.TrimSpace(strings.ToLower(to.W[x.key])+" "+x.value))
			}
		}
	}
	if b.CrankingA.Value != nil {
		parts = append(parts, words.Fill(to.W["CrankingNow"], "a", plusMinus(b.CrankingA.Value, b.CrankingA.Sigma, 0)))
	}
	return strings.Join(parts, ", ")
}

// saveBattery saves what is on a label, and on the second tap has the battery replaced.
func (p *Forms) saveBattery(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, battery := words.Of(r), r.PostForm.Get("battery")
	if _, ok := p.under(w, r, battery); !ok {
		return
	}
	do := r.PostForm.Get("do")
	page := batteryPage{ownForm: ownForm{Battery: battery}, New: do == "replace" || do == "replace-yes"}
	var keys []string
	for _, what := range fitKeys(page.New) {
		keys = append(keys, "fit."+battery+"."+what)
	}
	res, ok := p.saveOwn(w, r, keys)
	if !ok {
		return
	}
	refused := res.Refusals
	if page.New {
		for _, key := range res.Draft.Missing(battery, p.site.Facts()) {
			refused = append(refused, visit.Refusal{Key: key, Why: visit.NotNumber})
		}
	}
	if len(refused) > 0 {
		p.batteryPage(w, r, http.StatusUnprocessableEntity, res.Draft, page, refused)
		return
	}
	id, path := res.Draft.ID, "/visit/battery/"+url.PathEscape(battery)
	var err error
	switch do {
	case "replace": // the first tap
		page.Ask = true
		p.batteryPage(w, r, http.StatusOK, res.Draft, page, nil)
		return
	case "replace-yes":
		token := r.PostForm.Get("token")
		if len(token) < 8 || len(token) > 64 {
			p.site.Fail(w, r, http.StatusBadRequest, web.Message{
				Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: path, Link: to.W["NavVisit"],
			})
			return
		}
		_, err = p.store.ReplaceBattery(r.Context(), id, token, battery, p.site.Facts())
	default:
		_, err = p.store.Describe(r.Context(), id, battery, p.site.Facts())
	}
	if err != nil {
		p.notFitted(w, r, res.Draft, page, err)
		return
	}
	http.Redirect(w, r, path+"#now", http.StatusSeeOther)
}

// notFitted says why the agent has not taken something up; what was typed is in the draft.
func (p *Forms) notFitted(w http.ResponseWriter, r *http.Request, d *visit.Draft, page batteryPage, err error) {
	if errors.Is(err, visit.ErrNoDraft) || errors.Is(err, visit.ErrWrongVisit) {
		p.refuse(w, r, err)
		return
	}
	p.site.Log.Warn("battery not changed", "battery", page.Battery, "err", err)
	page.Problem = words.Of(r).W["WorkFailed"] + " " + err.Error()
	p.batteryPage(w, r, http.StatusServiceUnavailable, d, page, nil)
}

// takeBack undoes a replacement.
func (p *Forms) takeBack(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	battery := r.PostForm.Get("battery")
	d, ok := p.under(w, r, battery)
	if !ok {
		return
	}
	if _, err := p.store.TakeBack(r.Context(), r.PostForm.Get("id"), r.PostForm.Get("work"), p.site.Facts()); err != nil {
		p.notFitted(w, r, d, batteryPage{ownForm: ownForm{Battery: battery}}, err)
		return
	}
	http.Redirect(w, r, "/visit/battery/"+url.PathEscape(battery)+"#now", http.StatusSeeOther)
}

// orderKeys are what the shop needs besides.
var orderKeys = []string{
	"order.number", "order.minutes", "order.parts", "order.remains", "order.due", "order.received_by",
}

// signKeys are the signatures.
var signKeys = []string{"sign.technician", "sign.received"}

type orderPage struct {
	ownForm
	Signs []signView
}

type signView struct{ Key, ID, Label, Value, Path string }

// showOrder is work order, time, parts, what remains, and the signatures.
func (p *Forms) showOrder(w http.ResponseWriter, r *http.Request) {
	if d, ok := p.under(w, r, ""); ok {
		p.orderPage(w, r, http.StatusOK, d, nil)
	}
}

func (p *Forms) orderPage(
	w http.ResponseWriter, r *http.Request, status int, d *visit.Draft, refused []visit.Refusal,
) {
	to := words.Of(r)
	v := orderPage{ownForm: ownForm{W: to.W, To: to, Draft: d}}
	for _, key := range orderKeys {
		v.Fields = append(v.Fields, p.ownField(to, &v.ownForm, key, d.Fields[key], refused))
	}
	for _, key := range signKeys {
		v.Signs = append(v.Signs, signView{
			key, "f-" + strings.ReplaceAll(key, ".", "-"), to.W["Field."+key], d.Fields[key], visit.Path(d.Fields[key]),
		})
	}
	p.show(w, r, status, d, web.Content{Template: "order", Data: v, Title: to.W["OrderTitle"], Scripts: []string{"sign.js"}})
}

// saveOrder saves them.
func (p *Forms) saveOrder(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	if _, ok := p.under(w, r, ""); !ok {
		return
	}
	res, ok := p.saveOwn(w, r, append(append([]string{}, orderKeys...), signKeys...))
	switch {
	case !ok:
	case len(res.Refusals) > 0:
		p.orderPage(w, r, http.StatusUnprocessableEntity, res.Draft, res.Refusals)
	case r.PostForm.Get("then") == "report":
		http.Redirect(w, r, "/visit/report", http.StatusSeeOther)
	default:
		http.Redirect(w, r, "/visit/order", http.StatusSeeOther)
	}
}
