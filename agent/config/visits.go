package config

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"liftbank/agent/visit"
	"liftbank/rules"
)

// Visits is the record of service visits, and who may write it.
type Visits struct {
	Dir       string        // where visits are kept; empty: they are not
	PINFile   string        // file that liftbank pin wrote; empty: nobody can change anything on the page
	WorkTime  time.Duration // after which work under way ends by itself
	Checklist []visit.Area  // empty: ChecklistFile's, or visit.DefaultChecklist
	// ChecklistFile has the checklist of many units; empty: none.
	ChecklistFile string
	Limits        []ReadingLimit
}

// ReadingLimit is a limit of the reading of an item on the checklist.
type ReadingLimit struct {
	Area, Item string
	Min, Max   *float64 // nil: typed at each visit from the manual
}

func defaultVisits() Visits { return Visits{WorkTime: rules.DefaultWork} }

func (v *Visits) read(s *section) {
	s.text(
		"dir",
		&v.Dir,
		"a folder; a relative one starts from this file's folder",
		isText,
		about{doc: "where service visits are kept", usually: "visits in the service's state folder; without one, they are not kept"},
	)
	s.text(
		"pin_file",
		&v.PINFile,
		fileForm,
		isText,
		about{
			doc:     "file that `liftbank pin` wrote; what changes something on the page asks for that PIN",
			usually: "none: nothing can be changed on the page",
		},
	)
	s.duration(
		"work_time",
		&v.WorkTime,
		rules.MinWork,
		rules.MaxWork,
		about{
			doc: "work under way ends by itself after this time; it begins with a visit or by the switch on the page, and holds " +
				"all findings as they are: nothing that somebody does to the unit is reported or learned",
		},
	)
	s.hints = map[string]string{"pin": "want pin_file: the PIN is never written here, liftbank pin makes the file"}
	list(
		s,
		"checklist",
		&v.Checklist,
		0,
		20,
		about{
			doc: "areas of the checklist of a visit; without any, those of a battery-powered lift as trade practice has it",
		},
		readArea,
	)
	s.text("checklist_file", &v.ChecklistFile, fileForm, isText, about{
		doc:     "file with the section checklist alone, as above: one list for many units",
		usually: "none",
	})
	list(s, "limits", &v.Limits, 0, 100, about{
		doc: "limits of readings on the checklist, from the lift maker's manual; without one, it is typed at the visit and " +
			"kept for the next",
	}, readLimit)
}

func readLimit(l *ReadingLimit, s *section) {
	s.text("area", &l.Area, "1 to 64 of a-z, 0-9 and -", isID, about{doc: "area of the checklist", required: true})
	s.text("item", &l.Item, "1 to 64 of a-z, 0-9 and -", isID, about{doc: "item of it", required: true})
	l.Min = maybe(s, "min", about{doc: "lowest allowed, in the item's unit", usually: "none"})
	l.Max = maybe(s, "max", about{doc: "highest allowed", usually: "none"})
}

// maybe reads a number that a file may leave out.
func maybe(s *section, name string, a about) *float64 {
	v := math.NaN()
	s.number(name, &v, span{min: -1e6, max: 1e6}, a)
	if math.IsNaN(v) {
		return nil
	}
	return &v
}

func readArea(a *visit.Area, s *section) {
	s.text(
		"area",
		&a.ID,
		"1 to 64 of a-z, 0-9 and -",
		isID,
		about{doc: "name of the area in the record; keep it", required: true},
	)
	s.text("title", &a.Title, "a text of up to 60 characters", isTitle, about{doc: "what people read", required: true})
	choose(
		s,
		"caution",
		&a.Caution,
		visit.Cautions,
		about{
			doc:     "danger that the area's heading warns of: posts of batteries, under the platform, oil under pressure",
			usually: "none",
		},
	)
	list(s, "items", &a.Items, 1, 30, about{doc: "what is looked at", required: true}, readItem)
}

func readItem(i *visit.Item, s *section) {
	s.text(
		"item",
		&i.ID,
		"1 to 64 of a-z, 0-9 and -",
		isID,
		about{doc: "name of the item in the record; keep it", required: true},
	)
	s.text("text", &i.Text, "a text of up to 60 characters", isTitle, about{doc: "what people read", required: true})
	s.text("unit", &i.Unit, "a unit of up to 60 characters", isTitle, about{doc: "unit of its reading", usually: "none"})
	s.text("reads", &i.Reads, "a text of up to 60 characters", isTitle, about{
		doc: "what is read, where the item's text doesn't say it", usually: "none",
	})
	text := string(i.Rule)
	choose(s, "rule", &text, visit.Rules, about{
		doc: "what the reading is judged by: limits in visits.limits, or typed from the manual", usually: "not judged",
	})
	i.Rule = visit.Rule(text)
}

func isTitle(text string) bool {
	const longest = 60
	return text != "" && len([]rune(text)) <= longest && text == visit.Tidy(text, false)
}

// check refuses a name that stands twice, and limits of nothing.
func (v *Visits) check(r *reading) {
	checkAreas(r, "visits.checklist", v.Checklist)
	if len(v.Checklist) > 0 && v.ChecklistFile != "" {
		r.refuse("visits.checklist_file", v.ChecklistFile, "want checklist or checklist_file, not both")
	}
	if v.ChecklistFile != "" { // it is read later
		return
	}
	areas := v.Checklist
	if len(areas) == 0 {
		areas = visit.DefaultChecklist()
	}
	for i, l := range v.Limits {
		if why := l.problem(areas); why != "" {
			r.refuse(fmt.Sprintf("visits.limits[%d]", i), l.Area+"/"+l.Item, why)
		}
	}
}

func checkAreas(r *reading, list string, all []visit.Area) {
	areas := map[string]int{}
	for i, a := range all {
		path := fmt.Sprintf("%s[%d]", list, i)
		if before, twice := areas[a.ID]; twice && a.ID != "" {
			r.refuse(path+".area", "", fmt.Sprintf("want another: checklist[%d] has it", before))
		}
		areas[a.ID] = i
		items := map[string]int{}
		for k, item := range a.Items {
			if before, twice := items[item.ID]; twice && item.ID != "" {
				r.refuse(fmt.Sprintf("%s.items[%d].item", path, k), "", fmt.Sprintf("want another: items[%d] has it", before))
			}
			items[item.ID] = k
			if item.Rule != visit.NoRule && item.Unit == "" {
				r.refuse(fmt.Sprintf("%s.items[%d].rule", path, k), string(item.Rule), "want a unit with it")
			}
		}
	}
}

// problem returns what is wrong with a limit, empty for nothing.
func (l *ReadingLimit) problem(areas []visit.Area) string {
	item := itemOf(areas, l.Area, l.Item)
	switch {
	case item == nil:
		return "want an area and an item of the checklist"
	case l.Min == nil && l.Max == nil:
		return "want min, max or both"
	case l.Min != nil && !item.HasMin() || l.Max != nil && !item.HasMax():
		return fmt.Sprintf("want the limits of its rule: %q", item.Rule)
	case l.Min != nil && l.Max != nil && *l.Min > *l.Max:
		return "want min below max"
	}
	return ""
}

func itemOf(areas []visit.Area, area, item string) *visit.Item {
	for i := range areas {
		for k := range areas[i].Items {
			if areas[i].ID == area && areas[i].Items[k].ID == item {
				return &areas[i].Items[k]
			}
		}
	}
	return nil
}

// Areas returns the checklist with its limits. It reads checklist_file.
func (v *Visits) Areas() ([]visit.Area, error) {
	areas := v.Checklist
	if v.ChecklistFile != "" {
		data, err := os.ReadFile(v.ChecklistFile)
		if err != nil {
			return nil, fmt.Errorf("visits.checklist_file: %w", err)
		}
		if areas, err = LoadChecklist(v.ChecklistFile, data); err != nil {
			return nil, fmt.Errorf("visits.checklist_file: %w", err)
		}
	}
	if len(areas) == 0 {
		areas = visit.DefaultChecklist()
	}
	areas = slices.Clone(areas)
	for i := range areas {
		areas[i].Items = slices.Clone(areas[i].Items)
	}
	for _, l := range v.Limits {
		if why := l.problem(areas); why != "" {
			return nil, fmt.Errorf("visits.limits: %s/%s: %s", l.Area, l.Item, why)
		}
		item := itemOf(areas, l.Area, l.Item)
		item.Min, item.Max = l.Min, l.Max
	}
	return areas, nil
}

// LoadChecklist reads a file with the section checklist only, as strictly as a configuration. file is
// its name for errors. The error, if any, is [Errors].
func LoadChecklist(file string, data []byte) ([]visit.Area, error) {
	var areas []visit.Area
	r := open(file, data, "checklist")
	if r.root(func(s *section) {
		list(s, "checklist", &areas, 1, 20, about{required: true}, readArea)
	}) {
		checkAreas(r, "checklist", areas)
	}
	if err := r.failed(); err != nil {
		return nil, err
	}
	return areas, nil
}

// resolve makes the names of files start from folder.
func (v *Visits) resolve(folder string) {
	for _, name := range []*string{&v.Dir, &v.PINFile, &v.ChecklistFile} {
		if *name != "" && !filepath.IsAbs(*name) {
			*name = filepath.Join(folder, *name)
		}
	}
}
