package visits

import (
	"context"
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
	"liftbank/agent/visit/picture"
)

// photoView is one photo of the visit under way, or of a report.
type photoView struct {
	Name, Path, Alt string
	Width, Height   int
}

// photosOf returns the photos of one thing.
func photosOf(to *words.Reader, d *visit.Draft, of, what string) []photoView {
	return photoViews(to, d.ID, d.Photos, of, what)
}

func photoViews(to *words.Reader, id string, photos []visit.Photo, of, what string) (out []photoView) {
	for _, p := range photos {
		if p.Of == of {
			out = append(out, photoView{
				Name: p.Name, Path: photoPath(id, p.Name), Width: p.Width, Height: p.Height,
				Alt: words.Fill(to.W["PhotoOf"], "n", strconv.Itoa(len(out)+1), "what", what),
			})
		}
	}
	return out
}

func photoPath(id, name string) string { return "/visits/" + url.PathEscape(id) + "/photos/" + name }

// fileField is the first part of the name of an input that takes a photo; what it is of follows.
const fileField = "photo:"

// Bounds of a form with photos.
const (
	maxPhotoForm = 48 << 20         // bytes
	maxParts     = 400              // fields and photos; the largest area has some 150
	photoTime    = 90 * time.Second // for the whole form, and to make its photos small
)

// photoProblems is the key of what was wrong with the photos of a form.
type photoProblems struct{}

// takenPhotos returns what was wrong with the photos that came with a form.
func takenPhotos(r *http.Request) []string {
	problems, _ := r.Context().Value(photoProblems{}).([]string)
	return problems
}

// readForm reads a form of this package, with or without photos. The photos of somebody who may send
// them go to the card as they come; nobody else's are read.
func (p *Forms) readForm(w http.ResponseWriter, r *http.Request) bool {
	kind, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return p.site.ReadForm(w, r)
	}
	if !p.site.Limit(w, r, maxPhotoForm) {
		return false
	}
	photos := p.store != nil && p.site.SignedIn(r) // of anybody else, the texts are kept with the question for the PIN
	if photos {
		longer := http.NewResponseController(w) // a photo over a weak link takes its time
		_ = longer.SetReadDeadline(time.Now().Add(photoTime))
		_ = longer.SetWriteDeadline(time.Now().Add(photoTime))
	}
	problems, err := p.readParts(r, params["boundary"], photos)
	if err != nil {
		return p.badForm(w, r, err)
	}
	*r = *r.WithContext(context.WithValue(r.Context(), photoProblems{}, problems))
	return true
}

// badForm says that a form can't be read.
func (p *Forms) badForm(w http.ResponseWriter, r *http.Request, err error) bool {
	to, status := words.Of(r), http.StatusBadRequest
	m := web.Message{Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: "/visit", Link: to.W["NavVisit"]}
	if _, large := errors.AsType[*http.MaxBytesError](err); large || errors.Is(err, multipart.ErrMessageTooLarge) {
		status, m.Head, m.Text = http.StatusRequestEntityTooLarge, to.W["TooLarge"], to.W["TooLargeMore"]
	}
	p.site.Fail(w, r, status, m)
	return false
}

// readParts reads a form part by part, so that no photo is in memory as it came, and returns what was
// wrong with the photos.
func (p *Forms) readParts(r *http.Request, boundary string, photos bool) (problems []string, err error) {
	r.PostForm = url.Values{}
	parts := multipart.NewReader(r.Body, boundary)
	left := int64(web.MaxBody)
	for range maxParts {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return problems, nil
		}
		if err != nil {
			return nil, err
		}
		name := part.FormName()
		of, file := strings.CutPrefix(name, fileField)
		switch {
		case file && part.FileName() != "" && photos:
			_, err := p.store.AddPhoto(r.Context(), r.PostForm.Get("id"), of, part, p.facts(r))
			if _, large := errors.AsType[*http.MaxBytesError](err); large {
				return nil, err
			}
			if err != nil {
				problems = append(problems, p.photoProblem(words.Of(r), err))
			}
		case file: // none was chosen, or nobody who may send one
		default:
			text, err := io.ReadAll(io.LimitReader(part, left+1))
			if err != nil {
				return nil, err
			}
			if left -= int64(len(text)); left < 0 {
				return nil, multipart.ErrMessageTooLarge
			}
			r.PostForm.Add(name, string(text))
		}
	}
	return nil, multipart.ErrMessageTooLarge
}

// photoProblem says what is wrong with a photo, and what is wanted.
func (p *Forms) photoProblem(to *words.Reader, err error) string {
	large, pixels := errors.AsType[*picture.TooLargeError](err)
	switch {
	case pixels:
		return words.Fill(to.W["PhotoPixels"], "width", strconv.Itoa(large.Width), "height", strconv.Itoa(large.Height))
	case errors.Is(err, picture.ErrHEIC):
		return to.W["PhotoHEIC"]
	case errors.Is(err, picture.ErrNoPicture):
		return to.W["PhotoNone"]
	case errors.Is(err, visit.ErrPhotoBytes):
		return photoBytes(to.W)
	case errors.Is(err, visit.ErrManyPhotos):
		return words.Fill(to.W["PhotoMany"], "n", strconv.Itoa(visit.MaxPhotos))
	case errors.Is(err, visit.ErrNoSubject):
		return to.W["BadForm"] + "."
	case errors.Is(err, visit.ErrNoDraft), errors.Is(err, visit.ErrWrongVisit):
		return to.W["VisitOver"]
	}
	p.site.Log.Error("photo not saved", "err", err)
	return to.W["PhotoNotKept"]
}

func photoBytes(w map[string]string) string {
	return words.Fill(w["PhotoBytes"], "n", strconv.Itoa(visit.MaxPhotoUpload>>20))
}

// PhotoAnswer is what a script gets that has sent a photo.
type PhotoAnswer struct {
	Photos  []PhotoName `json:"photos"` // of the same thing
	Problem string      `json:"problem,omitempty"`
}

// PhotoName is one of them.
type PhotoName struct {
	Name string `json:"name"`
	Path string `json:"path"`
	Alt  string `json:"alt"`
}

// photo takes in photos that a script sends, and says which there are.
func (p *Forms) photo(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, d := words.Of(r), p.store.Draft()
	if d == nil || d.ID != r.PostForm.Get("id") {
		p.refuse(w, r, visit.ErrNoDraft)
		return
	}
	a, status := PhotoAnswer{Photos: []PhotoName{}}, http.StatusOK
	if problems := takenPhotos(r); len(problems) > 0 {
		a.Problem, status = strings.Join(problems, " "), http.StatusUnprocessableEntity
		if slices.Contains(problems, to.W["PhotoNotKept"]) { // another time it may be
			status = http.StatusInsufficientStorage
		}
	}
	of := r.PostForm.Get("of")
	for _, v := range photosOf(to, d, of, where(to, p.store.Form(), of+".note")) {
		a.Photos = append(a.Photos, PhotoName{v.Name, v.Path, v.Alt})
	}
	p.site.SendJSON(w, r, status, a)
}

// photo sends a photo of a visit.
func (p *Records) photo(w http.ResponseWriter, r *http.Request) {
	if p.store == nil {
		http.NotFound(w, r)
		return
	}
	b, err := p.store.Photo(r.PathValue("id"), r.PathValue("name"))
	if err != nil {
		if !errors.Is(err, visit.ErrNone) {
			p.site.Log.Error("photo can't be read", "err", err)
		}
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "private, max-age=31536000, immutable") // a name is never used again
	web.Send(w, r, http.StatusOK, web.TypeJPEG, b)
}
