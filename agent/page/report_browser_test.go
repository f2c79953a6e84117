package page

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/ledongthuc/pdf"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/slowtest"
)

// narrow is the narrowest phone, in CSS pixels.
const narrow = 320

// tested fills in a visit as it is done: battery b fails its load test and is replaced, a has a low
// cell, the order is written and signed.
func (b *bench) tested() {
	b.Helper()
	s := b.s
	d := begin(b, s)
	save := func(path string, form url.Values) {
		form.Set("id", d.ID)
		form.Set("revision", revision(s))
		w := post(s, path, form, session(s))
		require.Equal(b, http.StatusSeeOther, w.Code, w.Body.String())
	}
	save("/visit/test", url.Values{
		"battery": {"b"}, "with": {"load"}, "test.b.load_a": {"475"}, "test.b.after_s": {"15"}, "test.b.voltage_v": {"8.9"},
		"test.b.temperature_c": {"11"}, "test.b.before_v": {"12.6"},
	})
	save("/visit/test", url.Values{
		"battery": {"a"}, "with": {"hydrometer"}, "hydro.a.1": {"1.265"}, "hydro.a.2": {"1.260"}, "hydro.a.3": {"1.265"},
		"hydro.a.4": {"1.205"}, "hydro.a.5": {"1.255"}, "hydro.a.6": {"1.260"}, "hydro.a.temperature_c": {"12"},
	})
	save("/visit/save", url.Values{
		"place": {"Quarry Lane"}, "check.battery-box.posts.state": {"attention"}, "check.oil.clear.state": {"ok"},
		"check.battery-box.posts.note": {"Lug of b + green, half a turn loose. Cleaned, 12 Nm."}, "meter.a.voltage_v": {"12.72"},
	})
	label := url.Values{
		"battery": {"b"}, "do": {"replace-yes"}, "token": {"0123456789abc"}, "fit.b.make": {"group 31"},
		"fit.b.serial": {"M2-77105"}, "fit.b.date_code": {"2025-W33"}, "fit.b.place": {"street side"},
		"fit.b.warranty_until": {"2028-10"},
	}
	save("/visit/battery", label)
	save("/visit/order", url.Values{
		"order.number": {"88213"}, "order.minutes": {"75"}, "order.parts": {"battery 12 V 100 Ah, 2 lugs"},
		"order.remains": {"Seal of the tractor plug torn: plug seal, 7-pin"}, "order.due": {"2026-11-14"},
		"order.received_by": {"B. Otero"}, "sign.technician": {"50,200 120,60 180,220 260,120 340,210 430,90 520,200 700,150"},
	})
}

// The pages of tests, labels and orders, and the report, at each width, light and dark, in both
// languages.
func TestPageTestsLookAndAreSound(t *testing.T) {
	slowtest.SkipUnderRace(t) // it looks at pages; what answers is under it in the others
	b := newBench(t)
	b.tested()
	pages := []struct{ name, path string }{
		{"test-load", "/visit/test/b?with=load"}, {"test-cells", "/visit/test/a?with=hydrometer"},
		{"test-tester", "/visit/test/b?with=tester"}, {"battery", "/visit/battery/b"}, {"battery-new", "/visit/battery/a?new"},
		{"order", "/visit/order"}, {"report-tested", "/visit/report"},
	}
	_, err := b.opts.Visits.Save(b.opts.Visits.Draft().ID, b.opts.Visits.Draft().Revision, map[string]string{
		"test.b.load_a": "475", "test.b.after_s": "15", "test.b.voltage_v": "10.3", "test.b.temperature_c": "11",
		"test.b.cranking_a": "930", "test.b.tester_c": "11",
	}, b.s.site.Facts())
	require.NoError(t, err)
	type way struct {
		width int64
		lang  string
		dark  bool
	}
	for _, look := range some(way{phone, "es", false}, way{narrow, "en", false}, way{phone, "en", true}, way{desk, "en", false}) {
		tab := b.browse(look.width)
		tab.signIn()
		tab.do(chromedp.Evaluate[chromedp.Void](`document.cookie = 'liftbank_lang=` + look.lang + `'`))
		tab.dark(look.dark)
		b.again()
		for _, p := range pages {
			tab.open(p.path)
			name := fmt.Sprintf("%s-%d-%s", p.name, look.width, look.lang)
			tab.sound(name)
			tab.picture(name)
			assert.LessOrEqual(t, eval[int](tab, `document.querySelector('main').scrollWidth - innerWidth`), 0, name)
		}
	}
}

// The owner's sheet is one, the figures are on the next, and no table of a page is cut.
func TestPageReportOnPaper(t *testing.T) {
	b := newBench(t)
	b.tested()
	id := finished(t, b.s)
	tab := b.browse(desk)
	tab.open("/visits/" + id)
	tab.sound("report")
	tab.picture("report-1280")
	tables := eval[[][]string](tab, `[...document.querySelectorAll('table')].map(t =>
		[...t.querySelectorAll('th[scope=row]')].map(e => e.textContent))`)
	require.Greater(t, len(tables), 4)
	for paper, size := range map[string][2]float64{"a4": {8.27, 11.69}, "letter": {8.5, 11}} {
		res, err := chromedp.Call(tab.ctx, page.PrintToPDF, page.PrintToPDFParams{
			PaperWidth: size[0], PaperHeight: size[1], PrintBackground: new(true), PreferCSSPageSize: new(false),
		})
		require.NoError(t, err)
		tab.keep("report-"+paper+".pdf", res.Data)
		sheets := textOf(t, res.Data)
		require.Len(t, sheets, 2, "the owner's, and the figures'")
		for _, want := range []string{
			"Batterybreplaced", "Found", "Done", "Remains", "Beforeandafter", "88213", "75minutes", "B.Otero", "/visits/" + id,
		} {
			assert.Contains(t, sheets[0], want, paper)
		}
		assert.NotContains(t, sheets[0], "Figures")
		assert.Contains(t, sheets[1], "Figures")
		for _, rows := range tables {
			at := -1
			for i, s := range sheets {
				found := 0
				for _, row := range rows {
					if strings.Contains(s, squeezed(row)) {
						found++
					}
				}
				if found == len(rows) {
					at = i
				}
			}
			assert.GreaterOrEqual(t, at, 0, "%s: a table is on no sheet whole: %v", paper, rows)
		}
	}
}

// squeezed returns a text without what a PDF may have between its letters, and without ligatures.
func squeezed(text string) string {
	text = strings.NewReplacer("ﬁ", "fi", "ﬂ", "fl", "ﬀ", "ff", "ﬃ", "ffi", "ﬄ", "ffl").Replace(text)
	return strings.Join(strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == '\u00a0' || r == '\n' || r == '\t' }), "")
}

// textOf returns the text of each page of a PDF, squeezed.
func textOf(t *testing.T, data []byte) (sheets []string) {
	t.Helper()
	r, err := pdf.NewReader(bytes.NewReader(data), int64(len(data)))
	require.NoError(t, err)
	for i := range r.NumPage() {
		text, err := r.Page(i + 1).GetPlainText(nil)
		require.NoError(t, err)
		sheets = append(sheets, squeezed(text))
	}
	return sheets
}
