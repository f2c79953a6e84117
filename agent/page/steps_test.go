package page

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/page/visits"
	"liftbank/agent/page/web"
	"liftbank/agent/visit"
	"liftbank/cmd/slowtest"
)

// stepPaths are the pages of a visit to a unit with batteries a and b.
func stepPaths() []string {
	all := []string{"/visit", "/visit/start"}
	for _, a := range visit.DefaultChecklist() {
		all = append(all, "/visit/look/"+a.ID)
	}
	return append(all, "/visit/measure/a", "/visit/measure/b", "/visit/measure/feed", "/visit/work", "/visit/review", "/visit/settle")
}

// formPart is a part of a form with photos; file is empty for a text.
type formPart struct{ name, text, file string }

// postParts sends a form with photos as a browser does.
func postParts(s *Server, path string, parts []formPart, change ...func(*http.Request)) *httptest.ResponseRecorder {
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for _, p := range parts {
		var err error
		if p.file == "" {
			err = m.WriteField(p.name, p.text)
		} else if w, e := m.CreateFormFile(p.name, p.file); e == nil {
			_, err = w.Write([]byte(p.text))
		}
		if err != nil {
			panic(err)
		}
	}
	if err := m.Close(); err != nil {
		panic(err)
	}
	return post(s, path, url.Values{}, append([]func(*http.Request){func(r *http.Request) {
		r.Header.Set("Content-Type", m.FormDataContentType())
		r.Body, r.ContentLength = http.NoBody, int64(b.Len())
		r.Body = readCloser{&b}
	}}, change...)...)
}

type readCloser struct{ *bytes.Buffer }

func (readCloser) Close() error { return nil }

func smallPhoto(t testing.TB, n int) string {
	img := image.NewGray(image.Rect(0, 0, 80, 60))
	for i := range img.Pix {
		img.Pix[i] = uint8(i * (n + 2))
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, nil))
	return b.String()
}

// The steps: each is a page of one heading with its number, the way to all steps, and Back and Next;
// cautions stand where hands go near danger.
func TestStepsOfAVisit(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	for _, path := range stepPaths()[1:] {
		assert.Equal(t, "/visit", get(s, path).Header().Get("Location"), "no visit yet")
	}
	begin(t, s)
	all := stepPaths()
	for i, path := range all {
		w := get(s, path)
		require.Equal(t, http.StatusOK, w.Code, path)
		page := w.Body.String()
		assert.Equal(t, 1, strings.Count(page, "<h1"), path)
		assert.Contains(t, page, `id="savestate"`, path)
		if i == 0 || path == "/visit/settle" {
			continue
		}
		assert.Regexp(t, `Step \d of 5:`, page)
		assert.Contains(t, page, ">All steps<")
		if next := all[i+1]; next != "/visit/settle" {
			assert.Contains(t, page, `class="main" name="then" value="`+strings.TrimPrefix(next, "/visit/")+`"`, path)
		}
		assert.Contains(t, get(s, "/visit").Body.String(), `href="`+path+`"`)
	}
	for path, caution := range map[string]string{
		"/visit/look/battery-box": "Hydrogen and acid", "/visit/look/feed": "Hydrogen and acid",
		"/visit/look/oil": "Oil under pressure", "/visit/look/hoses-wiring": "Oil under pressure",
		"/visit/look/platform": "block the platform", "/visit/measure/a": "Hydrogen and acid",
		"/visit/measure/feed": "insulated tools", "/visit/work": "insulated tools",
	} {
		main, _, _ := strings.Cut(get(s, path).Body.String(), "</main>")
		assert.Contains(t, main, caution, path)
	}
	for _, none := range []string{"/visit/look/x", "/visit/measure/c", "/visit/look/", "/visit/other"} {
		assert.Equal(t, http.StatusNotFound, get(s, none).Code, none)
	}
	for then, where := range map[string]string{
		"look/feed": "/visit/look/feed", "": "/visit/start?saved", "//evil.example": "/visit/start?saved",
		"../x": "/visit/start?saved", "report": "/visit/report",
	} {
		form := url.Values{"id": {s.opts.Visits.Draft().ID}, "revision": {"1"}, "page": {"start"}, "then": {then}}
		assert.Equal(t, where, post(s, "/visit/save", form, session(s)).Header().Get("Location"), then)
	}
}

// Name, PIN and place on one page begin a visit. A wrong PIN loses nothing of it.
func TestAVisitBeginsWithThePIN(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	assert.Contains(t, get(s, "/visit").Body.String(), `id="pin"`)
	assert.NotContains(t, get(s, "/visit", session(s)).Body.String(), `id="pin"`)
	form := url.Values{"by": {"R. Vega"}, "place": {"Yard 4"}, "pin": {"111222"}}
	w := post(s, "/visit/begin", form, known(s))
	assert.Equal(t, http.StatusUnauthorized, w.Code)
	assert.Contains(t, w.Body.String(), `name="place" value="Yard 4"`)
	require.Nil(t, s.opts.Visits.Draft())
	form.Set("pin", rightPIN)
	w = post(s, "/visit/begin", form)
	assert.Equal(t, "/visit/look/battery-box", w.Header().Get("Location"))
	d := s.opts.Visits.Draft()
	assert.Equal(t, "Yard 4", d.Fields["place"])
	form = url.Values{"by": {"B. Tano"}, "place": {"Elsewhere"}}
	w = post(s, "/visit/begin", form, session(s))
	assert.Equal(t, "/visit", w.Header().Get("Location"), "joins")
	assert.Contains(t, strings.Join(w.Header().Values("Set-Cookie"), "\n"), "liftbank_name=B.+Tano")
	assert.Equal(t, "Yard 4", s.opts.Visits.Draft().Fields["place"])
	// What a phone with a name sends is by that name.
	for i, hostileName := range []string{"B.+Tano", url.QueryEscape(hostile), strings.Repeat("%C3%A9", 500), "%zz", ""} {
		as := func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "liftbank_name", Value: hostileName}) }
		note := fmt.Sprint("note ", i)
		form := url.Values{"id": {d.ID}, "revision": {fmt.Sprint(s.opts.Visits.Draft().Revision)}, "note": {note}}
		require.Equal(t, http.StatusSeeOther, post(s, "/visit/save", form, session(s), as).Code)
		log := s.opts.Visits.Draft().Log
		by := log[len(log)-1].By
		assert.LessOrEqual(t, len([]rune(by)), visit.TextLimit)
		assert.NotContains(t, by, "\u202e")
		if i == 0 {
			assert.Equal(t, "B. Tano", by)
		}
	}
}

// Without scripts: one form has answers, notes and photos of an area; one button answers OK for the
// rest.
func TestAnAreaWithoutScript(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	d := begin(t, s)
	const posts = "check.battery-box.posts"
	parts := []formPart{
		{name: "id", text: d.ID}, {name: "revision", text: "1"}, {name: "page", text: "look/battery-box"},
		{name: posts + ".state", text: "attention"}, {name: posts + ".note", text: "b+ loose"},
		{name: "photo:" + posts, text: smallPhoto(t, 1), file: "x.jpg"},
		{name: "photo:area.battery-box", file: ""}, {name: "all", text: "battery-box"},
		{name: "check.battery-box.dry.state", text: ""},
	}
	w := postParts(s, "/visit/save", parts, session(s))
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	assert.Equal(t, "/visit/look/battery-box?saved", w.Header().Get("Location"))
	now := s.opts.Visits.Draft()
	assert.Equal(t, "attention", now.Fields[posts+".state"])
	for _, i := range visit.DefaultChecklist()[0].Items {
		if i.ID != "posts" {
			assert.Equal(t, "ok", now.Fields["check.battery-box."+i.ID+".state"], i.ID)
		}
	}
	assert.Empty(t, now.Fields["check.feed.plug.state"])
	require.Len(t, now.Photos, 1)
	page := get(s, "/visit/look/battery-box").Body.String()
	path := "/visits/" + d.ID + "/photos/p01.jpg"
	assert.Contains(t, page, `src="`+path+`" alt="Photo 1: Posts and lugs clean and tight"`)
	sent := get(s, path)
	assert.Equal(t, "image/jpeg", sent.Header().Get("Content-Type"))
	_, err := jpeg.Decode(sent.Body)
	assert.NoError(t, err)
	for _, none := range []string{"p02.jpg", "..%2fdraft.json", "draft.json", "p01.jpg.json"} {
		assert.Equal(t, http.StatusNotFound, get(s, "/visits/"+d.ID+"/photos/"+none).Code, none)
	}
	id := finished(t, s)
	assert.Contains(t, get(s, "/visits/"+id).Body.String(), `src="`+path+`"`)
	var v visit.Visit
	require.NoError(t, json.Unmarshal(get(s, "/visits/"+id+".json").Body.Bytes(), &v))
	assert.Equal(t, []string{"p01.jpg"}, v.Areas[0].Items[2].Photos)
	assert.Equal(t, http.StatusNotFound, get(s, "/visits/"+id+"/photos/p02.jpg").Code)
}

// Photos that can't be taken are refused with what is wanted; the texts beside them are saved.
func TestPhotosAreRefusedWithReason(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	d := begin(t, s)
	const of = "check.oil.leaks"
	note := 0
	try := func(photo string, change ...func(*http.Request)) (*httptest.ResponseRecorder, string) {
		note++
		text := fmt.Sprint("note ", note)
		parts := []formPart{
			{name: "id", text: d.ID}, {name: "revision", text: "99"}, {name: "page", text: "look/oil"}, {name: "of", text: of},
			{name: of + ".note", text: text}, {name: "photo:" + of, text: photo, file: `"><script>alert(1)</script>.jpg`},
		}
		w := postParts(s, "/visit/save", parts, append(change, session(s))...)
		assert.Equal(t, text, s.opts.Visits.Draft().Fields[of+".note"])
		assert.NotContains(t, w.Body.String(), "<script>alert")
		return w, postParts(s, "/visit/photo", parts, session(s), asScript).Body.String()
	}
	for what, c := range map[string]struct{ photo, want string }{
		"no picture": {"none", "not a JPEG or PNG"}, "HTML": {"<script>alert(1)</script>", "not a JPEG or PNG"},
		"a bomb":     {"\x89PNG\r\n\x1a\n\x00\x00\x00\x0dIHDR\x00\x00\xff\xff\x00\x00\xff\xff\x08\x02\x00\x00\x00\x00\x00\x00\x00", "65535 × 65535 pixels"},
		"huge":       {strings.Repeat("x", visit.MaxPhotoUpload+1), "larger than 16 MB"},
		"half a one": {smallPhoto(t, 1)[:300], "not a JPEG or PNG"},
	} {
		page, script := try(c.photo)
		assert.Equal(t, http.StatusUnprocessableEntity, page.Code, what)
		assert.Contains(t, page.Body.String(), c.want, what)
		assert.Contains(t, script, c.want, what)
	}
	assert.Empty(t, s.opts.Visits.Draft().Photos)
	for i := range 100 {
		try(smallPhoto(t, i))
		if len(s.opts.Visits.Draft().Photos) == visit.MaxPhotos {
			break
		}
	}
	_, script := try(smallPhoto(t, 120))
	assert.Contains(t, script, "24 photos at most")
	assert.Len(t, s.opts.Visits.Draft().Photos, visit.MaxPhotos)
	var a visits.PhotoAnswer
	require.NoError(t, json.Unmarshal([]byte(script), &a))
	assert.Len(t, a.Photos, visit.MaxPhotos, "a script hears which there are")
	form := url.Values{"id": {d.ID}, "revision": {"99"}, "page": {"look/oil"}, "remove": {"p01.jpg"}}
	require.Equal(t, http.StatusSeeOther, post(s, "/visit/save", form, session(s)).Code)
	assert.Len(t, s.opts.Visits.Draft().Photos, visit.MaxPhotos-1)
	assert.Equal(t, http.StatusNotFound, get(s, "/visits/"+d.ID+"/photos/p01.jpg").Code)
}

// Who may not change anything sends no photo either: of a phone whose session has ended the texts are
// kept with the question for the PIN, of a stranger no more than a few lines are read.
func TestPhotosWantAPIN(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	d := begin(t, s)
	parts := []formPart{
		{name: "id", text: d.ID}, {name: "revision", text: "1"}, {name: "page", text: "look/oil"},
		{name: "check.oil.leaks.note", text: "typed"}, {name: "photo:check.oil.leaks", text: smallPhoto(t, 1) + strings.Repeat("x", 1<<20), file: "x.jpg"},
		{name: "area.oil.note", text: "after the photo"},
	}
	w := postParts(s, "/visit/save", parts, known(s))
	assert.Equal(t, http.StatusUnauthorized, w.Code)
	for _, want := range []string{`value="typed"`, `value="after the photo"`, `action="/visit/save"`} {
		assert.Contains(t, w.Body.String(), want)
	}
	assert.Equal(t, http.StatusRequestEntityTooLarge, postParts(s, "/visit/save", parts).Code, "a stranger")
	assert.Equal(t, http.StatusUnauthorized, postParts(s, "/visit/save", parts[:3]).Code)
	for _, foreign := range []func(*http.Request){
		func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		func(r *http.Request) { r.Header.Del("Sec-Fetch-Site"); r.Header.Set("Origin", "http://evil.example") },
	} {
		for _, path := range []string{"/visit/save", "/visit/photo", "/visit/settle"} {
			assert.Equal(t, http.StatusForbidden, postParts(s, path, parts, session(s), foreign).Code)
		}
	}
	for _, kind := range []string{"multipart/form-data", "multipart/form-data; boundary=", "multipart/form-data; boundary=x", "multipart/x"} {
		w := postParts(s, "/visit/save", parts, session(s), func(r *http.Request) { r.Header.Set("Content-Type", kind) })
		assert.Equal(t, http.StatusBadRequest, w.Code, kind)
	}
	long := []formPart{{name: "id", text: d.ID}, {name: "revision", text: "1"}, {name: "note", text: strings.Repeat("x", web.MaxBody)}}
	assert.Equal(t, http.StatusRequestEntityTooLarge, postParts(s, "/visit/save", long, session(s)).Code)
	var many []formPart
	for i := range 500 {
		many = append(many, formPart{name: fmt.Sprint("x", i), text: "x"})
	}
	assert.Equal(t, http.StatusRequestEntityTooLarge, postParts(s, "/visit/save", many, session(s)).Code)
	assert.Empty(t, s.opts.Visits.Draft().Photos)
	assert.Equal(t, 1, s.opts.Visits.Draft().Revision)
}

// A full card: what was typed stands in the page again, and goes in when there is room. A photo says
// so too.
func TestAFullCardGivesBackWhatWasTyped(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	d := begin(t, s)
	free := disk.Use(fullCard{disk.Now()})
	defer free()
	form := url.Values{
		"id": {d.ID}, "revision": {"1"}, "page": {"look/oil"}, "then": {"look/hoses-wiring"},
		"check.oil.leaks.note": {"a drop <here>"}, "check.oil.leaks.state": {"attention"}, "oil.level": {"low"},
		"check.oil.oil-level.reading": {"12,5 mm"},
	}
	w := post(s, "/visit/save", form, session(s))
	assert.Equal(t, http.StatusInternalServerError, w.Code)
	page := w.Body.String()
	for _, want := range []string{
		"a drop &lt;here&gt;</textarea>", `name="check.oil.leaks.state" value="attention" checked`,
		`name="oil.level" value="low" checked`, `value="12,5 mm"`, "could not write to its disk", `name="revision" value="1"`,
	} {
		assert.Contains(t, page, want)
	}
	assert.Equal(t, http.StatusInternalServerError, post(s, "/visit/save", form, session(s), asScript).Code)
	photo := []formPart{
		{name: "id", text: d.ID}, {name: "of", text: "check.oil.leaks"}, {name: "photo:check.oil.leaks", text: smallPhoto(t, 1), file: "x"},
	}
	w = postParts(s, "/visit/photo", photo, session(s), asScript)
	assert.Equal(t, http.StatusInsufficientStorage, w.Code, "a script tries again")
	assert.Contains(t, w.Body.String(), "could not write to its disk")
	w = post(s, "/visit/finish", url.Values{"id": {d.ID}}, session(s))
	assert.Equal(t, http.StatusInternalServerError, w.Code)
	require.NotNil(t, s.opts.Visits.Draft())
	free()
	require.Equal(t, "/visit/look/hoses-wiring", post(s, "/visit/save", form, session(s)).Header().Get("Location"))
	assert.Equal(t, "a drop <here>", s.opts.Visits.Draft().Fields["check.oil.leaks.note"])
	require.Equal(t, http.StatusOK, postParts(s, "/visit/photo", photo, session(s), asScript).Code)
	assert.Len(t, s.opts.Visits.Draft().Photos, 1)
}

// A form for a visit that is over is given back whole.
func TestAFormTooLateIsGivenBack(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	id := begin(t, s).ID
	finished(t, s)
	form := url.Values{"id": {id}, "revision": {"1"}, "page": {"review"}, "note": {"typed " + hostile}, "oil.level": {"low"}}
	w := post(s, "/visit/save", form, session(s))
	assert.Equal(t, http.StatusConflict, w.Code)
	assert.Contains(t, w.Body.String(), "typed")
	assert.Contains(t, w.Body.String(), "Level: low")
	assert.NotContains(t, w.Body.String(), "<script>alert")
	assert.Equal(t, http.StatusConflict, post(s, "/visit/save", form, session(s), asScript).Code)
}

// Temperatures are typed and shown in the unit that the reader has chosen, and kept in °C. A form
// that shows them rounded changes nothing.
func TestTemperaturesInTheChosenUnit(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	d := begin(t, s)
	in := func(unit string) func(*http.Request) {
		return func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "liftbank_temp", Value: unit}) }
	}
	const key = "meter.a.temperature_c"
	save := func(text, unit string) *httptest.ResponseRecorder {
		form := url.Values{"id": {d.ID}, "revision": {fmt.Sprint(s.opts.Visits.Draft().Revision)}, "page": {"measure/a"}, key: {text}}
		return post(s, "/visit/save", form, session(s), in(unit))
	}
	require.Equal(t, http.StatusSeeOther, save("52", "f").Code)
	assert.Equal(t, "11.11", s.opts.Visits.Draft().Fields[key])
	assert.Contains(t, get(s, "/visit/measure/a", in("f")).Body.String(), `name="`+key+`" value="52"`)
	assert.Contains(t, get(s, "/visit/measure/a", in("f")).Body.String(), "Temperature, °F")
	assert.Contains(t, get(s, "/visit/measure/a", in("c")).Body.String(), `name="`+key+`" value="11.11"`)
	revision := s.opts.Visits.Draft().Revision
	require.Equal(t, http.StatusSeeOther, save("52", "f").Code)
	require.Equal(t, http.StatusSeeOther, save("11.11", "c").Code)
	assert.Equal(t, revision, s.opts.Visits.Draft().Revision)
	require.Equal(t, http.StatusSeeOther, save("12 °C", "f").Code, "said outright")
	assert.Equal(t, "12", s.opts.Visits.Draft().Fields[key])
	w := save("300", "f")
	assert.Equal(t, http.StatusUnprocessableEntity, w.Code)
	assert.Contains(t, w.Body.String(), "enter −76 to 248 °F")
	assert.Contains(t, w.Body.String(), `value="300"`)
	w = save("warm", "f")
	assert.Contains(t, w.Body.String(), `value="warm"`)
}

// A reading is judged at once, against the limit typed from the manual.
func TestAReadingIsJudgedAtOnce(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	d := begin(t, s)
	const key = "check.oil.relief-up"
	save := func(form url.Values) visits.SaveAnswer {
		form.Set("id", d.ID)
		form.Set("revision", fmt.Sprint(s.opts.Visits.Draft().Revision))
		w := post(s, "/visit/save", form, session(s), asScript)
		require.Equal(t, http.StatusOK, w.Code)
		var a visits.SaveAnswer
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &a))
		return a
	}
	a := save(url.Values{key + ".reading": {"2,100 psi"}})
	assert.Contains(t, a.Refused[key+".reading"], "two meanings")
	a = save(url.Values{key + ".reading": {"2 100 psi"}})
	assert.Equal(t, "Not judged: enter the limit from the lift maker’s manual.", a.Judged[key].Text)
	a = save(url.Values{key + ".limit_min": {"1800"}, key + ".limit_max": {"2000"}})
	assert.Equal(t, "Above the limit (1800 psi to 2000 psi): attention", a.Judged[key].Text)
	assert.True(t, a.Judged[key].Bad)
	assert.Contains(t, get(s, "/visit/look/oil").Body.String(), `<p class="judged bad"`)
	assert.Contains(t, get(s, "/visit/report").Body.String(), "Outside its limit, not marked Attention: Relief pressure, raising")
	a = save(url.Values{key + ".reading": {"131 bar"}})
	assert.False(t, a.Judged[key].Bad)
	a = save(url.Values{"oil.position": {"raised"}, "oil.wanted_position": {"lowered"}, "oil.level": {"low"}})
	assert.Empty(t, a.Refused)
	assert.Contains(t, get(s, "/visit/look/oil").Body.String(), "Read the level again with the platform lowered")
}

// Hostile text in each field of each page, in photos' names and in what is settled, stays text.
func TestHostileTextInEachStep(t *testing.T) {
	slowtest.SkipUnderRace(t)
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	d := begin(t, s)
	for _, f := range s.opts.Visits.Form().Fields {
		for _, revision := range []string{"1", "1"} { // the second clashes with the first, where it is taken
			form := url.Values{"id": {d.ID}, "revision": {revision}, "phone": {hostile}, f.Key: {hostile + revision + f.Key}}
			post(s, "/visit/save", form, session(s), asScript)
			form.Set(f.Key, hostile+f.Key)
			post(s, "/visit/save", form, session(s), func(r *http.Request) {
				r.AddCookie(&http.Cookie{Name: "liftbank_name", Value: url.QueryEscape(hostile)})
			})
		}
	}
	require.NotEmpty(t, s.opts.Visits.Draft().ToSettle)
	for _, path := range append(stepPaths(), "/visit/report") {
		page := get(s, path).Body.String()
		assert.NotContains(t, page, "<script>alert", path)
		assert.NotContains(t, page, "<img src=x", path)
		assert.NotContains(t, page, "\u202e", path)
	}
}
