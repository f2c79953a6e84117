package visits

import (
	"fmt"
	"math"
	"net/http"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// Compared is one channel beside a meter.
type Compared struct {
	Channel, Name, Unit, Error string
	Mine, Agents, Differs      string
	Meter                      string // Mine without its unit
	Corrected                  string // how it is corrected now, and who says so; empty: it is not
	Offset, Gain               string // what the configuration would have
}

// ChannelName returns a channel in words: battery_voltage_a is the voltage at battery a's positive
// post.
func ChannelName(to *words.Reader, name string) string {
	if text, ok := to.W["ChannelName."+name]; ok {
		return text
	}
	if i := strings.LastIndexByte(name, '_'); i > 0 {
		if text, ok := to.W["ChannelName."+name[:i]]; ok {
			return text + " " + name[i+1:]
		}
	}
	return name
}

// Compare sets a channel beside the technician's meter and returns the correction, in place of the
// present one, that makes them agree. A value near zero gives the offset, one far from it the gain.
func Compare(to *words.Reader, c snapshot.Channel, meter string) *Compared {
	v := &Compared{Channel: c.Name, Name: ChannelName(to, c.Name), Unit: c.Unit}
	mine, problem := visit.ParseQuantity(meter, c.Unit)
	switch {
	case problem != "":
		v.Error = to.W["NotANumber"]
		return v
	case c.Value == nil:
		v.Error = to.W["ChannelSilent"]
		return v
	}
	differs := mine - *c.Value
	v.Meter = figures.Number(mine, 0)
	v.Mine, v.Agents = v.Meter+" "+c.Unit, figures.Number(*c.Value, 0)+" "+c.Unit
	v.Differs = figures.Short(&differs, 3, true) + " " + c.Unit
	suffix := map[string]string{"V": "v", "A": "a", "°C": "c"}[c.Unit]
	if suffix == "" {
		return v
	}
	has := snapshot.Calibration{Gain: 1}
	if c.Calibration != nil {
		has = *c.Calibration
	}
	line := func(offset, gain float64) string {
		var parts []string
		if offset != 0 {
			parts = append(parts, fmt.Sprintf("offset_%s: %.4g", suffix, offset))
		}
		if gain != 1 {
			parts = append(parts, fmt.Sprintf("gain: %.5f", gain))
		}
		return strings.Join(parts, ", ")
	}
	v.Offset = line(has.Offset+differs/has.Gain, has.Gain)
	far := map[string]float64{"V": 8, "A": 10}[c.Unit]
	if gain := has.Gain * mine / *c.Value; far > 0 && math.Abs(*c.Value) >= far && gain >= 0.5 && gain <= 2 {
		v.Gain = line(has.Offset, gain)
	}
	return v
}

// noteComparison puts what the technician's meter said of a channel into the visit: the figure
// beside the agent's, and the line for the configuration that would bring them together.
func (p *Forms) noteComparison(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, form := words.Of(r), r.PostForm
	snap, d := p.site.Hub.Current(), p.store.Draft()
	if d == nil || snap == nil {
		p.refuse(w, r, visit.ErrNoDraft)
		return
	}
	for _, c := range snap.Channels {
		if c.Name != form.Get("channel") {
			continue
		}
		v := Compare(to, c, form.Get("meter"))
		if v.Error != "" {
			p.site.Fail(w, r, http.StatusUnprocessableEntity, web.Message{
				Head: v.Error, Path: "/check#compare", Link: to.W["NavCheck"],
			})
			return
		}
		line := v.Offset
		if form.Get("use") == "gain" && v.Gain != "" {
			line = v.Gain
		}
		note := fmt.Sprintf("%s: meter %s, agent %s (%s); calibration: {%s}", c.Name, v.Mine, v.Agents, v.Differs, line)
		r.PostForm.Set("id", d.ID)
		p.noteWork(w, r, visit.Work{ID: form.Get("token"), Kind: visit.ChannelCompared, Note: note}, "/visit/work")
		return
	}
	p.site.Fail(w, r, http.StatusUnprocessableEntity, web.Message{
		Head: to.W["ChannelSilent"], Path: "/check#compare", Link: to.W["NavCheck"],
	})
}
