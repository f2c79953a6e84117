package config

import (
	"fmt"
	"path/filepath"
	"time"

	"liftbank/agent/visit"
	"liftbank/rules"
)

// Visits is the record of service visits, and who may write it.
type Visits struct {
	Dir       string        // where visits are kept; empty: they are not
	PINFile   string        // file that liftbank pin wrote; empty: nobody can change anything on the page
	WorkTime  time.Duration // after which work under way ends by itself
	Checklist []visit.Area  // empty: visit.DefaultChecklist
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
}

func isTitle(text string) bool {
	const longest = 60
	return text != "" && len([]rune(text)) <= longest && text == visit.Tidy(text, false)
}

// check refuses a name that stands twice.
func (v *Visits) check(r *reading) {
	areas := map[string]int{}
	for i, a := range v.Checklist {
		path := fmt.Sprintf("visits.checklist[%d]", i)
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
		}
	}
}

// resolve makes the names of files start from folder.
func (v *Visits) resolve(folder string) {
	for _, name := range []*string{&v.Dir, &v.PINFile} {
		if *name != "" && !filepath.IsAbs(*name) {
			*name = filepath.Join(folder, *name)
		}
	}
}
