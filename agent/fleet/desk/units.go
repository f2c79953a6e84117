package desk

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

type unitsView struct {
	view
	Groups        []string
	Group, Search string
	Heading       string
	Rows          []rowView
	Lists         []string
	First, Next   string
}

func (unitsView) followed() {}

// unitsPage lists all units, those with work first.
func (d *Desk) unitsPage(w http.ResponseWriter, r *http.Request, by who) {
	f := filterOf(r.URL.Query())
	f.Show = shownAtFirst
	ctx, store := r.Context(), d.opts.Store
	v := &unitsView{view: d.viewOf(r, by), Group: f.Group, Search: f.Search}
	q := RowsQuery{Now: d.opts.Now(), Group: f.Group, Search: f.Search, After: f.After, Limit: 2 * pageRows}
	rows, more, err1 := store.Rows(ctx, q)
	counts, err2 := store.Counts(ctx, q)
	groups, err3 := store.Groups(ctx, maxGroups)
	if err := cmp.Or(err1, err2, err3); err != nil {
		d.broken(w, r, err)
		return
	}
	v.Groups, v.Heading = groups, v.N("Units", counts.All)
	for _, row := range rows {
		line := v.row(row)
		if line.Headline == "" {
			line.Headline = v.T("Show." + row.List)
		}
		v.Rows = append(v.Rows, line)
	}
	if f.After != nil {
		v.First = f.path("/units", nil)
	}
	if more {
		last := rows[len(rows)-1]
		v.Next = f.path("/units", &Cursor{last.Rank, last.Unit})
	}
	d.show(w, r, http.StatusOK, "units", "AllUnits", v)
}

// columns of a CSV file of units' data.
var columns = append([]string{"unit"}, func() (names []string) {
	for _, f := range dataFields {
		names = append(names, f.Name)
	}
	return names
}()...)

// formula reports whether a spreadsheet would take a cell for a formula.
func formula(s string) bool { return s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) }

// exportCSV sends the data of all units. A cell that a spreadsheet would calculate has an apostrophe
// before it, which the import takes off.
func (d *Desk) exportCSV(w http.ResponseWriter, r *http.Request, by who) {
	if err := d.opts.Store.Note(r.Context(), AuditEntry{At: d.opts.Now(), Who: by.Name, Action: ActionExport}); err != nil {
		d.broken(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="units.csv"`)
	if err := WriteCSV(w, func(yield func(Data) error) error { return d.opts.Store.AllData(r.Context(), yield) }); err != nil {
		d.opts.Log.Warn("export cut off", "err", err) // part of it is sent: the connection ends short
		panic(http.ErrAbortHandler)
	}
}

// WriteCSV writes units' data as CSV.
func WriteCSV(w io.Writer, all func(yield func(Data) error) error) error {
	out := csv.NewWriter(w)
	if err := out.Write(columns); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	err := all(func(u Data) error {
		line := []string{u.Unit}
		for _, f := range dataFields {
			cell := f.Get(u)
			if formula(cell) || strings.HasPrefix(cell, "'") {
				cell = "'" + cell
			}
			line = append(line, cell)
		}
		return out.Write(line)
	})
	out.Flush()
	if err = cmp.Or(err, out.Error()); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	return nil
}

// CSVError is one thing wrong in a CSV file.
type CSVError struct {
	Line, Column int
	Problem      string // a key of the desk's texts
	Accepted     string // what is accepted, where that is a list or a number
	Value        string
}

// Error returns the English form.
func (e CSVError) Error() string { return e.in(words.Readers[0]) }

func (e CSVError) in(to *words.Reader) string {
	text := textOf(to, "CSV."+e.Problem, "n", e.Accepted, "value", e.Value)
	return textOf(to, "CSVAt", "line", strconv.Itoa(e.Line), "column", strconv.Itoa(e.Column)) + " " + text
}

// Bounds of an import.
const (
	maxCSVErrors = 20
	maxCSVUnits  = 500_000
)

// ReadCSV reads units' data. known returns what is known of a unit so far: columns that the file does not
// have stay as they are. It returns all units or all errors, at most 20.
func ReadCSV(file io.Reader, known func(unit string) (Data, error)) ([]Data, error) {
	in := csv.NewReader(file)
	in.FieldsPerRecord = -1
	in.ReuseRecord = true
	head, fields, err := readHead(in)
	if err != nil {
		return nil, err
	}
	var all []Data
	var wrong []error
	seen := map[string]int{}
	for len(wrong) < maxCSVErrors {
		cells, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			wrong = append(wrong, csvError(err))
			break
		}
		line, _ := in.FieldPos(0)
		if len(cells) == 1 && strings.TrimSpace(cells[0]) == "" {
			continue
		}
		if len(cells) != len(head) {
			wrong = append(wrong, CSVError{Line: line, Column: 1, Problem: "Cells", Accepted: strconv.Itoa(len(head)), Value: strconv.Itoa(len(cells))})
			continue
		}
		unit := strings.TrimSpace(cells[slices.Index(head, "unit")])
		_, unitColumn := in.FieldPos(slices.Index(head, "unit"))
		if !unitPattern.MatchString(unit) {
			wrong = append(wrong, CSVError{line, unitColumn, "Unit", "", cut(unit, 40)})
			continue
		}
		if before := seen[unit]; before > 0 {
			wrong = append(wrong, CSVError{line, unitColumn, "Twice", strconv.Itoa(before), unit})
			continue
		}
		seen[unit] = line
		u, err := known(unit)
		if err != nil {
			return nil, err
		}
		u.Unit = unit
		for i, f := range fields {
			if f == nil {
				continue
			}
			cell := strings.TrimSpace(cells[i])
			if rest, quoted := strings.CutPrefix(cell, "'"); quoted && (formula(rest) || strings.HasPrefix(rest, "'")) {
				cell = rest
			}
			if problem := f.set(&u, cell); problem != "" {
				at, column := in.FieldPos(i)
				wrong = append(wrong, CSVError{at, column, problem, strconv.Itoa(f.Most), cut(cell, 40)})
			}
		}
		if problem := u.parkedProblem(); problem != "" {
			wrong = append(wrong, CSVError{Line: line, Column: unitColumn, Problem: problem, Value: unit})
		}
		if all = append(all, u); len(all) > maxCSVUnits {
			return nil, CSVError{line, 1, "TooMany", strconv.Itoa(maxCSVUnits), ""}
		}
	}
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	return all, nil
}

// readHead reads the line of names. A field is nil for the column unit.
func readHead(in *csv.Reader) (head []string, fields []*dataField, err error) {
	cells, err := in.Read()
	if errors.Is(err, io.EOF) {
		return nil, nil, CSVError{Line: 1, Column: 1, Problem: "Empty", Accepted: strings.Join(columns, ",")}
	}
	if err != nil {
		return nil, nil, csvError(err)
	}
	var wrong []error
	for i, cell := range cells {
		if i == 0 {
			cell = strings.TrimPrefix(cell, "\ufeff") // as spreadsheets write it
		}
		name := strings.ToLower(strings.TrimSpace(cell))
		line, column := in.FieldPos(i)
		switch {
		case !slices.Contains(columns, name):
			wrong = append(wrong, CSVError{line, column, "Column", strings.Join(columns, ", "), cut(name, 40)})
		case slices.Contains(head, name):
			wrong = append(wrong, CSVError{line, column, "ColumnTwice", "", name})
		}
		head = append(head, name)
		f := slices.IndexFunc(dataFields, func(f dataField) bool { return f.Name == name })
		if f < 0 {
			fields = append(fields, nil)
		} else {
			fields = append(fields, &dataFields[f])
		}
	}
	if !slices.Contains(head, "unit") {
		wrong = append(wrong, CSVError{Line: 1, Column: 1, Problem: "NoUnit", Accepted: strings.Join(columns, ", ")})
	}
	if len(wrong) > 0 {
		return nil, nil, errors.Join(wrong[:min(len(wrong), maxCSVErrors)]...)
	}
	return head, fields, nil
}

func csvError(err error) error {
	if p, ok := errors.AsType[*csv.ParseError](err); ok {
		return CSVError{p.Line, p.Column, "Quotes", "", ""}
	}
	return err
}

// csvErrors returns the errors of a file one by one.
func csvErrors(err error) (all []CSVError) {
	if many, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range many.Unwrap() {
			all = append(all, csvErrors(e)...)
		}
		return all
	}
	if e, ok := errors.AsType[CSVError](err); ok {
		return []CSVError{e}
	}
	return nil
}

type importView struct {
	view
	Columns string
	Errors  []string
	Done    string
}

func (d *Desk) importPage(w http.ResponseWriter, r *http.Request, by who) {
	v := &importView{view: d.viewOf(r, by), Columns: strings.Join(columns, ",")}
	if n, err := strconv.Atoi(r.URL.Query().Get("done")); err == nil && n >= 0 {
		v.Done = v.N("Imported", n)
	}
	d.show(w, r, http.StatusOK, "import", "Import", v)
}

// importCSV takes a file of units' data, all of it or nothing.
func (d *Desk) importCSV(w http.ResponseWriter, r *http.Request, by who) {
	if !d.readForm(w, r, maxImport) {
		return
	}
	var file io.Reader = strings.NewReader(r.PostForm.Get("text"))
	if r.MultipartForm != nil {
		defer r.MultipartForm.RemoveAll() //nolint:errcheck // temporary files
		if f, _, err := r.FormFile("file"); err == nil {
			data, err := io.ReadAll(f)
			if err != nil {
				d.broken(w, r, err)
				return
			}
			if len(bytes.TrimSpace(data)) > 0 {
				file = bytes.NewReader(data)
			}
		}
	}
	n, err := Import(r.Context(), d.opts.Store, by.Name, d.opts.Now(), file)
	if wrong := csvErrors(err); len(wrong) > 0 {
		v := &importView{view: d.viewOf(r, by), Columns: strings.Join(columns, ",")}
		for _, e := range wrong {
			v.Errors = append(v.Errors, e.in(v.To))
		}
		d.show(w, r, http.StatusBadRequest, "import", "Import", v)
		return
	}
	if err != nil {
		d.broken(w, r, err)
		return
	}
	http.Redirect(w, r, "/import?done="+strconv.Itoa(n), http.StatusSeeOther)
}

type auditView struct {
	view
	Unit    string
	Entries []auditLine
	Next    string
}

type auditLine struct {
	When, Who, Action, Unit, UnitPath, What, Before, After string
}

const pageAudit = 100

func (v *view) auditLine(e AuditEntry) auditLine {
	l := auditLine{v.Time(e.At), cmp.Or(e.Who, v.T("Fleet")), v.T("Action." + e.Action), e.Unit, "", e.What, e.Before, e.After}
	if e.Unit != "" {
		l.UnitPath = UnitPath(e.Unit)
	}
	if l.Action == "" {
		l.Action = e.Action
	}
	return l
}

func (d *Desk) auditPage(w http.ResponseWriter, r *http.Request, by who) {
	q := r.URL.Query()
	before, _ := strconv.ParseInt(q.Get("before"), 10, 64)
	v := &auditView{view: d.viewOf(r, by), Unit: visit.Tidy(q.Get("unit"), false)}
	entries, err := d.opts.Store.Audit(r.Context(), v.Unit, max(before, 0), pageAudit)
	if err != nil {
		d.broken(w, r, err)
		return
	}
	for _, e := range entries {
		v.Entries = append(v.Entries, v.auditLine(e))
	}
	if len(entries) == pageAudit {
		v.Next = "/audit?" + url.Values{"unit": {v.Unit}, "before": {strconv.FormatInt(entries[len(entries)-1].ID, 10)}}.Encode()
	}
	d.show(w, r, http.StatusOK, "audit", "Audit", v)
}
