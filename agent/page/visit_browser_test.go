package page

import (
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/visit"
	"liftbank/cmd/slowtest"
)

// allSaved is true once nothing waits to be sent.
const allSaved = `/^(Saved|Guardado) \d\d:\d\d$/.test(document.getElementById('savestate').textContent)`

// typist counts what a technician does with their thumbs.
type typist struct {
	*tab
	taps, keys int
}

// see scrolls to what is to be pressed, as a person does: not to where the header covers it.
func (t *typist) see(selector string) {
	t.Helper()
	t.until("(document.querySelector(`" + selector + "`).scrollIntoView({block: 'center'}), true)")
}

// press presses what stays on the page.
func (t *typist) press(selector string) {
	t.Helper()
	t.taps++
	t.see(selector)
	t.do(chromedp.Click(selector, chromedp.NodeVisible))
}

// enter types into a field, which takes a tap to choose.
func (t *typist) enter(selector, text string) {
	t.Helper()
	t.taps++
	t.keys += len([]rune(text))
	t.do(chromedp.SendKeys(selector, text))
}

// goTo presses what leads to another page, and waits for it.
func (t *typist) goTo(selector, path string) {
	t.Helper()
	t.taps++
	t.again()
	t.see(selector)
	if t.off {
		t.do(chromedp.Click(selector, chromedp.NodeVisible))
	} else {
		t.follow(selector)
	}
	t.until(`location.pathname === '` + path + `' && document.readyState === 'complete'`)
}

// photoFile is a photo as a phone takes it.
func photoFile(t testing.TB, width, height int) string {
	img := image.NewYCbCr(image.Rect(0, 0, width, height), image.YCbCrSubsampleRatio420)
	for i := range img.Y {
		img.Y[i] = uint8(i * 7 / width)
	}
	for i := range img.Cb {
		img.Cb[i], img.Cr[i] = 110, 150
	}
	img.Y[0] = color.YCbCrModel.Convert(color.White).(color.YCbCr).Y
	path := filepath.Join(t.TempDir(), "photo.jpg")
	f, err := os.Create(path)
	require.NoError(t, err)
	require.NoError(t, jpeg.Encode(f, img, nil))
	require.NoError(t, f.Close())
	return path
}

const (
	secondsATap = 1.5 // finds and presses it, with a glove; our estimate
	secondsAKey = 0.4 // of a keyboard on a phone; our estimate
)

// A whole visit from the PIN to the report, with what a technician taps and types counted: under
// three minutes of it. At every width, in both languages, with scripts and without.
func TestPageWholeVisit(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	type way struct {
		width  int64
		lang   string
		script bool
	}
	for _, c := range some(way{phone, "en", true}, way{narrow, "es", true}, way{desk, "en", true}, way{phone, "es", false}) {
		t.Run(fmt.Sprintf("%d %s script %v", c.width, c.lang, c.script), func(t *testing.T) {
			b := newBench(t)
			tab := &typist{tab: b.browse(c.width)}
			name := func(page string) string {
				return fmt.Sprintf("visit-%s-%d-%s-%v", page, c.width, c.lang, c.script)
			}
			look := func(page string) { tab.picture(name(page)) }
			tab.open("/visit")
			tab.follow(`button[lang="` + c.lang + `"]`)
			tab.until(`location.pathname === '/visit' && document.documentElement.lang === '` + c.lang + `'`)
			if !c.script {
				tab.script(false)
				tab.off = true
				tab.open("/visit")
			}
			look("begin")
			tab.enter("#by", "R. Vega")
			tab.enter("#pin", rightPIN)
			tab.goTo("main button.main", "/visit/look/battery-box")
			look("look")

			// The battery box: one thing is not right, with a note and a photo; the level is measured.
			tab.press(`.checkitem:nth-of-type(3) label:nth-of-type(2)`)
			tab.enter(`#f-check-battery-box-posts-note`, "b+ loose")
			require.NoError(t, tab.choosePhoto(`input[name="photo:check.battery-box.posts"]`, photoFile(t, 1600, 1200)))
			tab.taps += 2 // the camera's own
			tab.enter(`#f-check-battery-box-level-reading`, "8 mm")
			tab.enter(`#f-check-battery-box-level-limit_min`, "10")
			if c.script {
				tab.do(chromedp.SendKeys(`#f-check-battery-box-level-limit_min`, "\t"))
				tab.until(`document.querySelectorAll('.photos img').length === 1 && ` + allSaved)
				tab.until(`document.querySelector('#f-check-battery-box-level-judged.bad').textContent.length > 10`)
			}
			areas := visit.DefaultChecklist()
			for i, a := range areas {
				next := "/visit/measure/a"
				if i+1 < len(areas) {
					next = "/visit/look/" + areas[i+1].ID
				}
				tab.taps++
				if c.script {
					tab.press(`button[name=all]`)
					tab.taps--
					tab.until(`document.querySelector('button[name=all]').hidden && ` + allSaved)
				} else {
					tab.do(chromedp.Click(`button[name=all]`, chromedp.NodeVisible))
					tab.until(`location.search === '?saved' && document.readyState === 'complete' && document.querySelector('button[name=all]').hidden`)
				}
				if i < 4 {
					look("look-" + a.ID)
				}
				tab.goTo(`.stepfoot .main`, next)
			}
			tab.enter(`#f-meter-a-voltage_v`, "12,70")
			look("test-a")
			tab.goTo(`.stepfoot .main`, "/visit/measure/b")
			tab.enter(`#f-meter-b-voltage_v`, "12.61 V")
			tab.enter(`#f-meter-b-current_a`, "−1,5")
			tab.goTo(`.stepfoot .main`, "/visit/measure/feed")
			tab.goTo(`.stepfoot .main`, "/visit/work")
			tab.taps += 2
			tab.do(chromedp.SetValue(`#kind`, "joint-cleaned"))
			tab.goTo(`form[action="/visit/work"] button`, "/visit/work")
			tab.until(`document.querySelector('[data-work]') !== null && document.readyState === 'complete'`)
			look("work")
			tab.goTo(`.stepfoot .main`, "/visit/review")
			tab.enter(`#f-note`, "Back in May")
			look("review")
			tab.goTo(`.stepfoot .main`, "/visit/report")
			id := b.opts.Visits.Draft().ID
			tab.goTo(`form[action="/visit/finish"] button`, "/visits/"+id)
			look("report")

			seconds := float64(tab.taps)*secondsATap + float64(tab.keys)*secondsAKey
			t.Logf("%d taps and %d keys: %.0f s", tab.taps, tab.keys, seconds)
			assert.Less(t, seconds, 180.0)
			v, err := b.opts.Visits.Get(id)
			require.NoError(t, err)
			assert.Equal(t, "R. Vega", v.By)
			assert.Equal(t, "Back in May", v.Note)
			require.Len(t, v.Readings, 3)
			assert.Equal(t, []float64{12.7, 12.61, -1.5}, []float64{v.Readings[0].Value, v.Readings[1].Value, v.Readings[2].Value})
			require.Len(t, v.Photos, 1)
			assert.Equal(t, []int{1280, 960}, []int{v.Photos[0].Width, v.Photos[0].Height})
			states := map[string]int{}
			for _, a := range v.Areas {
				for _, i := range a.Items {
					states[i.State]++
				}
			}
			assert.Zero(t, states["not-checked"])
			assert.Equal(t, 1, states["attention"])
			assert.Equal(t, "below", v.Areas[0].Items[5].Judged)
			assert.Equal(t, "b+ loose", v.Areas[0].Items[2].Note)
			assert.Equal(t, []string{"joint R. Vega"}, b.opts.Actions.(*deeds).all())
			if c.script && c.width == phone {
				tab.printed("whole-visit")
			}
		})
	}
}

// Every page of a visit at three widths, and in the dark.
func TestPageVisitLooksAndIsSound(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	b := newBench(t)
	d := begin(t, b.s)
	form := map[string]string{
		"check.battery-box.posts.state": "attention", "check.battery-box.posts.note": "Lug on b loose, cleaned",
		"check.battery-box.dry.state": "ok", "check.oil.relief-up.reading": "2100",
		"check.oil.relief-up.limit_min": "1800", "check.oil.relief-up.limit_max": "2000",
		"check.oil.clear.state": "ok", "meter.a.voltage_v": "11.97", "test.b.cranking_a": "310", "oil.level": "right",
		"oil.position": "raised", "oil.wanted_position": "lowered", "place": "Yard 4",
	}
	_, err := b.opts.Visits.Save(d.ID, 1, form, b.s.site.Facts())
	require.NoError(t, err)
	_, err = b.opts.Visits.Save(d.ID, 1, map[string]string{"check.battery-box.posts.note": "Seal torn"}, b.s.site.Facts())
	require.NoError(t, err)
	file, err := os.Open(photoFile(t, 900, 1200))
	require.NoError(t, err)
	_, err = b.opts.Visits.AddPhoto(t.Context(), d.ID, "check.battery-box.posts", file, b.s.site.Facts())
	require.NoError(t, err)
	require.NoError(t, file.Close())
	_, err = b.opts.Visits.AddWork(
		t.Context(), d.ID, visit.Work{ID: "0123456789", Kind: visit.BatteryReplaced, Subject: "b", Note: "New, 950 A"},
		b.s.site.Facts(),
	)
	require.NoError(t, err)
	for _, width := range some[int64](phone, narrow, desk) {
		tab := b.browse(width)
		tab.signIn()
		for _, dark := range []bool{false, true} {
			tab.dark(dark)
			tone := map[bool]string{false: "light", true: "dark"}[dark]
			if dark && width != phone { // the colors are those of any width
				continue
			}
			for _, path := range []string{
				"", "/start", "/look/battery-box", "/look/oil", "/measure/b", "/work", "/review", "/settle", "/report",
			} {
				b.again()
				tab.open("/visit" + path)
				name := fmt.Sprintf("draft%s-%d-%s", strings.ReplaceAll(path, "/", "-"), width, tone)
				tab.sound(name)
				tab.picture(name)
			}
		}
	}
}

// Two phones at one field: both texts are kept until somebody chooses, and both phones say so.
func TestPageTwoPhones(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	t.Parallel()
	b := newBench(t)
	begin(t, b.s)
	one, two := b.browse(phone), b.browse(phone)
	for i, tab := range []*tab{one, two} {
		tab.signIn()
		tab.open("/visit")
		tab.do(chromedp.SendKeys("#by", []string{"R. Vega", "B. Tano"}[i])) // joins
		tab.follow(`.joinform button`)
		tab.open("/visit/review")
	}
	one.do(chromedp.SendKeys("#f-note", "from the first\t"))
	one.until(allSaved)
	two.do(chromedp.SendKeys("#f-note", "from the second\t"))
	two.until(`document.getElementById('savestate').textContent === '1 to settle'`)
	assert.Equal(t, "from the second", eval[string](two, `document.getElementById('f-note').value`))
	two.do(chromedp.SendKeys("#f-note", ", more\t")) // goes on typing: the last is kept
	two.until(`document.getElementById('savestate').textContent === '1 to settle'`)
	require.Eventually(t, func() bool {
		d := b.opts.Visits.Draft()
		return len(d.ToSettle) == 1 && d.ToSettle[0].Mine == "from the second, more"
	}, patience, tickOften)
	assert.Equal(t, "from the first", b.opts.Visits.Draft().Fields["note"])
	one.open("/visit/look/oil")
	one.until(`document.getElementById('savestate').textContent === '1 to settle'`)
	two.follow(`#savestate`)
	two.until(`location.pathname === '/visit/settle' && document.querySelector('h1').textContent === 'Two phones wrote here'`)
	two.sound("settle")
	two.picture("settle-390")
	text := eval[string](two, `document.querySelector('main').textContent`)
	for _, want := range []string{"from the first", "from the second, more", "R. Vega", "B. Tano", "On this phone"} {
		assert.Contains(t, text, want)
	}
	two.follow(`button[value=both]`)
	two.until(`document.querySelector('h1').textContent === 'Everything is settled'`)
	assert.Equal(t, "from the first\nfrom the second, more", b.opts.Visits.Draft().Fields["note"])
	assert.Equal(t, "R. Vega", b.opts.Visits.Draft().Fields["by"])
}

// Whatever keeps a phone from saving, what was typed on it gets there in the end: the unit is killed
// and comes back, its card is full for a while, the phone's page is loaded again meanwhile. Going on
// and finishing wait for it.
func TestPageNothingTypedIsLost(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	b := newBench(t)
	d := begin(t, b.s)
	tab := b.browse(phone)
	tab.signIn()
	tab.open("/visit/review")
	state := func(text string) {
		t.Helper()
		tab.until(`document.getElementById('savestate').textContent === '` + text + `'`)
	}
	online := func() { eval[bool](tab, `window.dispatchEvent(new Event('online'))`) }

	b.kill()
	tab.do(chromedp.SendKeys(`#f-note`, "typed while it was away"))
	tab.do(chromedp.Click(`.stepfoot .main`)) // goes on before the field is left
	state("1 not saved")
	tab.until(`document.getElementById('savewhy').textContent.startsWith('No connection')`)
	assert.Equal(t, "/visit/review", eval[string](tab, `location.pathname`), "it waits")
	tab.picture("visit-offline-390")
	b.start(b.addr)
	online() // it would try again by itself, in a while
	tab.until(allSaved)
	assert.Equal(t, "typed while it was away", b.opts.Visits.Draft().Fields["note"])

	// A full card: the unit answers, and can't write.
	free := b.fillCard()
	tab.do(chromedp.SendKeys(`#f-note`, ", and more\t"))
	state("1 not saved")
	tab.until(`document.getElementById('savewhy').textContent.startsWith('The monitor could not write')`)
	tab.open("/visit/review") // loaded again: it is still there
	state("1 not saved")
	assert.Equal(t, "typed while it was away, and more", eval[string](tab, `document.getElementById('f-note').value`))
	tab.open("/visit/look/oil") // on another page it is not forgotten
	state("1 not saved")
	tab.until(`document.getElementById('leftover').textContent.includes('typed while it was away, and more')`)
	tab.sound("left over")
	tab.picture("leftover-390")
	tab.open("/visit/report") // finishing waits
	tab.do(chromedp.Click(`form[action="/visit/finish"] button`))
	state("1 not saved")
	free()
	online()
	tab.until(allSaved)
	require.NotNil(t, b.opts.Visits.Draft(), "not finished without it")
	tab.follow(`form[action="/visit/finish"] button`)
	v, err := b.opts.Visits.Get(d.ID)
	require.NoError(t, err)
	assert.Equal(t, "typed while it was away, and more", v.Note)
}

// Going on waits for a photo that is still being made small, and a browser that never ends making it small
// has it sent as it is.
func TestPageGoesOnWithAPhoto(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	t.Parallel()
	const input = `input[name="photo:check.battery-box.posts"]`
	for name, give := range map[string]string{"in a second": `setTimeout(() => made(real(...all)), 1000)`, "never": ``} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			begin(t, b.s)
			tab := b.browse(phone)
			tab.signIn()
			tab.open("/visit/look/battery-box")
			tab.do(chromedp.Click(`.checkitem:nth-of-type(3) label:nth-of-type(2)`))
			tab.until(allSaved)
			if give == "" {
				tab.hurry()
			}
			eval[bool](tab, `(real => { window.createImageBitmap = (...all) => new Promise(made => { window.asked = true; `+give+` }); return true; })(createImageBitmap)`)
			require.NoError(t, tab.choosePhoto(input, photoFile(t, 800, 600)))
			tab.until(`window.asked`)
			tab.follow(`.stepfoot .main`)
			tab.until(`location.pathname === '/visit/look/` + visit.DefaultChecklist()[1].ID + `'`)
			assert.Len(t, b.opts.Visits.Draft().Photos, 1)
		})
	}
}

// firstSave starts a unit with a visit under way. The first save that it is asked for is handled by first, with what it
// would do otherwise; all are counted.
func firstSave(t *testing.T, first func(usual http.Handler, w http.ResponseWriter, r *http.Request)) (*bench, *atomic.Int32) {
	b, asked := newBench(t), new(atomic.Int32)
	b.stop()
	b.wrap = func(usual http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/visit/save" && asked.Add(1) == 1 {
				first(usual, w, r)
				return
			}
			usual.ServeHTTP(w, r)
		})
	}
	b.start(b.addr)
	begin(t, b.s)
	return b, asked
}

// A unit that takes a form and never answers is asked again: nothing waits for it forever.
func TestPageAsksAgainWhereNoAnswerComes(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	t.Parallel()
	b, asked := firstSave(t, func(_ http.Handler, _ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // what sees the phone go
		<-r.Context().Done()
	})
	tab := b.browse(phone)
	tab.signIn()
	tab.open("/visit/review")
	tab.hurry()
	tab.do(chromedp.SendKeys(`#f-note`, "asked twice\t"))
	tab.until(allSaved)
	assert.Equal(t, "asked twice", b.opts.Visits.Draft().Fields["note"])
	assert.GreaterOrEqual(t, asked.Load(), int32(2)) // more on a machine that takes over 0.3 s to answer
}

// An answer that is lost, with the text changed before the next try: the unit has the first text, and nobody is asked to
// choose between two of their own.
func TestPageLosesAnAnswer(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	t.Parallel()
	for _, reloads := range []bool{false, true} {
		t.Run(fmt.Sprint("reloads ", reloads), func(t *testing.T) {
			t.Parallel()
			b, _ := firstSave(t, func(usual http.Handler, _ http.ResponseWriter, r *http.Request) {
				usual.ServeHTTP(httptest.NewRecorder(), r)
				<-r.Context().Done()
			})
			tab := b.browse(phone)
			tab.signIn()
			tab.open("/visit/review")
			eval[bool](tab, `window.fetch = (real => (...all) => { all[1].signal.onabort = () => window.gone = true; return real(...all); })(fetch), true`)
			tab.hurry()
			tab.do(chromedp.SendKeys(`#f-note`, "one\t"))
			if reloads {
				assert.Eventually(t, func() bool { return b.opts.Visits.Draft().Fields["note"] == "one" }, browserPatience, tickOften)
			} else {
				tab.until(`window.gone`)
			}
			tab.do(chromedp.SendKeys(`#f-note`, ", two"))
			if reloads {
				tab.open("/visit/review")
			}
			tab.until(allSaved)
			d := b.opts.Visits.Draft()
			assert.Equal(t, "one, two", d.Fields["note"])
			assert.Empty(t, d.ToSettle)
			for _, c := range d.Log {
				assert.False(t, c.Refused, c)
			}
		})
	}
}

// What is typed while the answer to a save is on its way is no second text of somebody else's: it is sent after that.
func TestPageTypesWhileAnAnswerComes(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	t.Parallel()
	free := make(chan bool)
	b, asked := firstSave(t, func(usual http.Handler, w http.ResponseWriter, r *http.Request) {
		answer := httptest.NewRecorder()
		usual.ServeHTTP(answer, r)
		maps.Copy(w.Header(), answer.Header())
		w.WriteHeader(answer.Code)
		_ = http.NewResponseController(w).Flush()
		<-free
		_, _ = w.Write(answer.Body.Bytes())
	})
	tab := b.browse(phone)
	tab.signIn()
	tab.open("/visit/review")
	eval[bool](tab, `window.fetch = (real => (...all) => real(...all).then(r => (window.answers = true, r)))(fetch), true`)
	tab.do(chromedp.SendKeys(`#f-note`, "one\t"))
	tab.until(`window.answers`)
	tab.do(chromedp.SendKeys(`#f-note`, ", two\t"))
	close(free)
	tab.until(allSaved)
	d := b.opts.Visits.Draft()
	assert.Equal(t, "one, two", d.Fields["note"])
	assert.Empty(t, d.ToSettle)
	assert.Equal(t, int32(2), asked.Load())
}

// A mouse presses what leads on, and so leaves a field: what the page says of that value comes once the press is over, and
// not between, where it would push the button away.
func TestPageStaysWhilePressed(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	t.Parallel()
	b := newBench(t)
	begin(t, b.s)
	tab := &typist{tab: b.browse(desk)}
	tab.signIn()
	tab.open("/visit/look/battery-box")
	tab.enter(`#f-check-battery-box-level-limit_min`, "10")
	tab.do(chromedp.KeyEvent("\t"))
	tab.until(allSaved)
	// What a slow machine takes for a press does not end it.
	eval[bool](tab.tab, `(real => { window.setTimeout = (then, ms) => real(then, ms === 2000 ? 100 * ms : ms); return true; })(setTimeout)`)
	tab.enter(`#f-check-battery-box-level-reading`, "8")
	tab.see(`.stepfoot .main`)
	at := eval[[]float64](tab.tab, `(r => [r.x + r.width / 2, r.y + 4])(document.querySelector('.stepfoot .main').getBoundingClientRect())`)
	press := func(kind input.DispatchMouseEventType) {
		tab.do(chromedp.MouseEvent(kind, at[0], at[1], chromedp.ButtonLeft, chromedp.ClickCount(1)))
	}
	const judged = `document.getElementById('f-check-battery-box-level-judged').textContent`
	answers := `performance.getEntriesByName(location.origin + '/visit/save').length`
	before, said := eval[int](tab.tab, answers), eval[string](tab.tab, judged)
	press(chromedp.MousePressed)
	tab.until(answers + fmt.Sprint(" > ", before))
	assert.Equal(t, said, eval[string](tab.tab, judged))
	press(chromedp.MouseReleased)
	tab.until(`location.pathname === '/visit/look/feed'`)
	assert.Equal(t, "8", b.opts.Visits.Draft().Fields["check.battery-box.level.reading"])

	// Let go of beyond the window: the page is not told.
	tab.open("/visit/look/battery-box")
	tab.enter(`#f-check-battery-box-level-reading`, "1")
	tab.see(`.stepfoot .main`)
	said = eval[string](tab.tab, judged)
	press(chromedp.MousePressed)
	tab.until(judged + " !== '" + said + "' && " + allSaved)
	press(chromedp.MouseReleased)
}

// A number is sent once it is typed: half of it is not, whatever else is sent meanwhile.
func TestPageSendsNoHalfNumbers(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	t.Parallel()
	b := newBench(t)
	begin(t, b.s)
	tab := &typist{tab: b.browse(desk)}
	tab.signIn()
	tab.open("/visit/measure/b")
	tab.enter(`#f-meter-b-current_a`, "−")
	eval[bool](tab.tab, `(e => (e.value = '12.61 V', e.dispatchEvent(new Event('change', {bubbles: true}))))(document.getElementById('f-meter-b-voltage_v'))`)
	tab.until(`(form => Number(form.elements.revision.value) > Number(form.dataset.revision))(document.getElementById('visit'))`) // the answer is taken
	assert.Equal(t, "Saving…", eval[string](tab.tab, `document.getElementById('savestate').textContent`))
	assert.True(t, eval[bool](tab.tab, `document.getElementById('f-meter-b-current_a-e').hidden`))
	d := b.opts.Visits.Draft()
	assert.Equal(t, []string{"12.61", ""}, []string{d.Fields["meter.b.voltage_v"], d.Fields["meter.b.current_a"]})
	tab.do(chromedp.KeyEvent("1,5"))
	tab.goTo(`.stepfoot .main`, "/visit/measure/feed")
	assert.Equal(t, "-1.5", b.opts.Visits.Draft().Fields["meter.b.current_a"])

	// Put back as it was, of which no change is told.
	tab.open("/visit/measure/b")
	tab.enter(`#f-meter-b-voltage_v`, "7\b")
	tab.until(`document.getElementById('savestate').textContent === 'Saving…'`)
	eval[bool](tab.tab, `document.activeElement.blur(), true`)
	tab.until(allSaved)
}

// Two tabs of one phone keep each other's texts; a session that has ended asks for the PIN and goes on
// where it was.
func TestPageTwoTabsAndAnEndedSession(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	t.Parallel()
	b := newBench(t)
	begin(t, b.s)
	one := b.browse(phone)
	one.signIn()
	one.open("/visit/review")
	ctx, cancel := chromedp.NewContext(one.ctx)
	t.Cleanup(cancel)
	require.NoError(t, chromedp.Do(ctx))
	two := &tab{bench: b, ctx: ctx}
	two.open("/visit/look/oil")
	b.kill()
	one.do(chromedp.SendKeys(`#f-note`, "from one tab\t"))
	one.until(`document.getElementById('savestate').textContent === '1 not saved'`)
	two.do(chromedp.SendKeys(`#f-area-oil-note`, "from the other\t"))
	two.until(`document.getElementById('savestate').textContent === '1 not saved'`)
	kept := eval[string](two, `JSON.stringify(localStorage)`)
	assert.Contains(t, kept, "from one tab")
	assert.Contains(t, kept, "from the other")
	b.start(b.addr)
	one.until(allSaved)
	two.until(allSaved)
	one.open("/visit/review")
	d := b.opts.Visits.Draft()
	assert.Equal(t, []string{"from one tab", "from the other"}, []string{d.Fields["note"], d.Fields["area.oil.note"]})
	assert.Empty(t, d.ToSettle)

	one.open("/pin")
	one.follow(`form[action="/pin/out"] button`)
	two.do(chromedp.SendKeys(`#f-area-oil-note`, ", signed out\t"))
	two.until(`document.getElementById('savewhy').textContent.startsWith('The PIN is wanted again')`)
	two.follow(`.stepfoot .main`)
	two.until(`document.getElementById('pin') !== null`)
	two.do(chromedp.SendKeys("#pin", rightPIN))
	two.follow(`main button.main`)
	two.until(`location.pathname === '/visit/look/hoses-wiring' && ` + allSaved)
	assert.Equal(t, "from the other, signed out", b.opts.Visits.Draft().Fields["area.oil.note"])
}

// What is typed for a visit that another phone has finished stays on the phone, to be copied.
func TestPageTypedTooLate(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	b := newBench(t)
	begin(t, b.s)
	tab := b.browse(phone)
	tab.signIn()
	tab.open("/visit/review")
	finished(t, b.s)
	tab.do(chromedp.SendKeys(`#f-note`, "too late\t"))
	tab.until(`document.getElementById('savestate').textContent === '1 not saved'`)
	tab.open("/visit")
	tab.until(`!document.getElementById('leftover').hidden && document.getElementById('leftover').textContent.includes('too late')`)
	tab.do(chromedp.Click(`#leftover button`))
	tab.until(`document.getElementById('leftover').hidden`)
	tab.open("/visit")
	assert.True(t, eval[bool](tab, `document.getElementById('leftover').hidden`))
}

// What can't be taken keeps the technician on the page, with what is wanted beside the field.
func TestPageRefusedNumber(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	b := newBench(t)
	begin(t, b.s)
	tab := b.browse(phone)
	tab.signIn()
	tab.open("/visit/measure/a")
	tab.do(chromedp.SendKeys(`#f-meter-a-voltage_v`, "12.6.1\t"))
	tab.until(`document.getElementById('savestate').textContent === '1 not saved'`)
	tab.until(`document.getElementById('f-meter-a-voltage_v-e').textContent.includes('not a number')`)
	tab.sound("refused")
	tab.picture("refused-390")
	tab.do(chromedp.Click(`.stepfoot .main`))
	tab.until(`document.activeElement.id === 'f-meter-a-voltage_v'`)
	assert.Equal(t, "/visit/measure/a", eval[string](tab, `location.pathname`))
	eval[bool](tab, `document.getElementById('f-meter-a-voltage_v').select() === undefined`)
	tab.do(chromedp.SendKeys(`#f-meter-a-voltage_v`, "12,61 v\t"))
	tab.until(allSaved)
	assert.Equal(t, "12.61", b.opts.Visits.Draft().Fields["meter.a.voltage_v"])
}

// Photos from a phone: made small there; offline they wait, and are sent when it is back; what is no
// picture is refused with what is wanted.
func TestPagePhotos(t *testing.T) {
	slowtest.SkipUnderRace(t) // chromedp types into nodes while the page changes them, and races with itself
	t.Parallel()
	b := newBench(t)
	begin(t, b.s)
	tab := b.browse(phone)
	tab.signIn()
	tab.open("/visit/look/battery-box")
	tab.do(chromedp.Click(`.checkitem:nth-of-type(3) label:nth-of-type(2)`))
	tab.until(allSaved)
	b.kill()
	const input = `input[name="photo:check.battery-box.posts"]`
	require.NoError(t, tab.choosePhoto(input, photoFile(t, 4000, 3000)))
	tab.until(`document.getElementById('savestate').textContent === '1 not saved'`)
	b.start(b.addr)
	tab.open("/visit/look/battery-box") // kept over a reload
	tab.until(`document.querySelectorAll('.photos img').length === 1 && ` + allSaved)
	p := b.opts.Visits.Draft().Photos
	require.Len(t, p, 1)
	assert.Equal(t, 1280, p[0].Width)
	tab.until(`document.querySelector('.photos img').naturalWidth === 1280`)
	tab.sound("photo")
	tab.picture("photo-390")
	none := filepath.Join(t.TempDir(), "none.jpg")
	require.NoError(t, os.WriteFile(none, []byte(strings.Repeat("no picture ", 100)), 0o600))
	require.NoError(t, tab.choosePhoto(input, none))
	tab.until(`document.querySelector('.checkitem:nth-of-type(3) .photos .error').textContent.includes('not a JPEG or PNG')`)
	// The page asks the phone for JPEG; a HEIC photo that no browser here reads is refused with what to do on the phone.
	assert.Equal(t, "image/jpeg,image/png", eval[string](tab, `document.querySelector('`+input+`').accept`))
	heic := filepath.Join(t.TempDir(), "photo.heic")
	require.NoError(t, os.WriteFile(heic, append([]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), make([]byte, 4000)...), 0o600))
	require.NoError(t, tab.choosePhoto(input, heic))
	tab.until(`document.querySelector('.checkitem:nth-of-type(3) .photos .error').textContent.includes('most compatible format (JPEG)')`)
	tab.sound("photo refused")
	tab.picture("photo-heic-390")
	assert.Len(t, b.opts.Visits.Draft().Photos, 1)
	assert.GreaterOrEqual(t, eval[float64](tab, `(function () {
		var s = [...document.querySelectorAll('.checkitem > details > summary')].find(e => e.clientWidth), r = document.createRange();
		r.selectNode(s.firstChild); return r.getBoundingClientRect().left - s.getBoundingClientRect().left; })()`), 10.0, "the sign of a fold stands beside its text")
	assert.Less(t, eval[float64](tab, `document.querySelector('.checkrow input:checked + .att').scrollHeight`), 50.0, "one line, chosen or not")
	// What a browser reads as an image of the page alone, as some do with HEIC, is sent as a small JPEG, too.
	eval[bool](tab, `(window.createImageBitmap = function () { return Promise.reject(new Error('not this')); }, true)`)
	require.NoError(t, tab.choosePhoto(input, photoFile(t, 6000, 4500))) // which the unit would refuse as it is
	tab.until(`document.querySelectorAll('.photos img').length === 2 && ` + allSaved)
	p = b.opts.Visits.Draft().Photos
	assert.LessOrEqual(t, p[1].Width, 1280)
	assert.InDelta(t, 0.75, float64(p[1].Height)/float64(p[1].Width), 0.01)
	// One of more bytes than the unit takes is not sent.
	large := filepath.Join(t.TempDir(), "large.jpg")
	require.NoError(t, os.WriteFile(large, nil, 0o600))
	require.NoError(t, os.Truncate(large, visit.MaxPhotoUpload+1))
	require.NoError(t, tab.choosePhoto(input, large))
	tab.until(`document.querySelector('.checkitem:nth-of-type(3) .photos .error').textContent.includes('larger than 16 MB') && ` + allSaved)
	for left := 1; left >= 0; left-- {
		tab.follow(`button[name=remove]`)
		tab.until(fmt.Sprintf(`document.querySelectorAll('.photos img').length === %d`, left))
	}
	assert.Empty(t, b.opts.Visits.Draft().Photos)
}
