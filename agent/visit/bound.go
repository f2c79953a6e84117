package visit

import (
	"encoding/json"
	"fmt"
	"slices"
	"unicode/utf8"
)

// Bounded returns the JSON form of a visit in at most limit bytes. Where that takes it, texts are
// cut, then items that were not looked at are left out, then the rest of what a form can have
// without end; Shortened says so. The visit itself stays as it is.
func (v *Visit) Bounded(limit int) ([]byte, error) {
	body, err := json.Marshal(v)
	if err != nil || len(body) <= limit {
		return body, err
	}
	short := *v
	short.Shortened = true
	short.Areas, short.Work, short.Findings = slices.Clone(v.Areas), slices.Clone(v.Work), slices.Clone(v.Findings)
	short.Found = slices.Clone(v.Found)
	for _, of := range [][]Remaining{short.Findings, short.Found} {
		for i := range of {
			of[i].Remarks = slices.Clone(of[i].Remarks)
		}
	}
	for i := range short.Work { // what was noted of a battery that came out stands in its test
		if r := short.Work[i].Removed; r != nil {
			removed := *r
			removed.Fields = nil
			short.Work[i].Removed = &removed
		}
	}
	for i := range short.Areas {
		short.Areas[i].Items = slices.Clone(short.Areas[i].Items)
	}
	for _, step := range []func(){
		func() { short.Order.Signature, short.Order.SignedReceived = "", "" },
		func() { short.cutTexts(500) }, func() { short.cutTexts(100) }, short.leaveOutUnchecked,
		func() { short.cutTexts(0) }, func() { short.Areas, short.Photos = []CheckedArea{}, nil },
		func() { short.Work = short.Work[:min(len(short.Work), maxWork)] },
		func() { short.Findings, short.Found, short.Cells = []Remaining{}, nil, nil },
	} {
		step()
		if body, err = json.Marshal(&short); err != nil || len(body) <= limit {
			return body, err
		}
	}
	return nil, fmt.Errorf("visit %s: %d bytes without its texts: want at most %d", v.ID, len(body), limit)
}

// maxWork is how much work a shortened visit has at most; our choice.
const maxWork = 50

// cutTexts cuts what people have written to n bytes each, and a mark.
func (v *Visit) cutTexts(n int) {
	cut := func(texts ...*string) {
		for _, t := range texts {
			if len(*t) <= n+len(cutMark) {
				continue
			}
			kept := (*t)[:n]
			for kept != "" && !utf8.ValidString(kept) { // inside a character
				kept = kept[:len(kept)-1]
			}
			*t = kept + cutMark
		}
	}
	cut(&v.Note, &v.Oil.Note, &v.Order.Parts, &v.Order.Remains)
	for a := range v.Areas {
		cut(&v.Areas[a].Note)
		for i := range v.Areas[a].Items {
			item := &v.Areas[a].Items[i]
			cut(&item.Note, &item.Reading, &item.Photo)
		}
	}
	for i := range v.Work {
		cut(&v.Work[i].Note, &v.Work[i].Error)
	}
	for _, of := range [][]Remaining{v.Findings, v.Found} {
		for i := range of {
			for k := range of[i].Remarks {
				cut(&of[i].Remarks[k].Text)
			}
		}
	}
}

const cutMark = "…"

// leaveOutUnchecked leaves out items of the checklist that say nothing.
func (v *Visit) leaveOutUnchecked() {
	for a := range v.Areas {
		v.Areas[a].Items = slices.DeleteFunc(v.Areas[a].Items, func(i CheckedItem) bool {
			return i.State == "not-checked" && i.Note == "" && i.Reading == "" && i.Photo == "" && len(i.Photos) == 0
		})
	}
}
