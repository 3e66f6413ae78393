package page

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"html/template"
	"net/http"
	"path"
	"strings"
	"time"

	"spillway/actions/draw"
)

//go:embed assets templates
var files embed.FS

// assets are what the page links to, by a name that changes with the content, so that browsers may keep them for good.
type assets struct {
	body map[string][]byte // by name with hash
	name map[string]string // that by plain name
}

func readAssets() (assets, error) {
	a := assets{body: map[string][]byte{}, name: map[string]string{}}
	for _, plain := range []string{"page.css", "page.js", "mark.svg"} {
		b, err := files.ReadFile("assets/" + plain)
		if err != nil {
			return a, err
		}
		if plain == "page.css" {
			b = append(b, draw.Style()...)
		}
		sum := sha256.Sum256(b)
		ext := path.Ext(plain)
		hashed := strings.TrimSuffix(plain, ext) + "-" + hex.EncodeToString(sum[:6]) + ext
		a.body[hashed], a.name[plain] = b, hashed
	}
	return a, nil
}

func (p *Page) asset(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	b, ok := p.assets.body[name]
	if !ok {
		p.refuse(w, r, http.StatusNotFound, "There is nothing here.", "")
		return
	}
	kind := map[string]string{".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}[path.Ext(name)]
	w.Header().Set("Content-Type", kind+"; charset=utf-8")
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b))
}

func parseTemplates(a assets) (*template.Template, error) {
	return template.New("").Funcs(template.FuncMap{
		"asset": func(plain string) string { return assetsPath + a.name[plain] },
	}).ParseFS(files, "templates/*.html")
}

// render writes a page, whole or not at all.
func (p *Page) render(w http.ResponseWriter, status int, name string, data any) {
	var b bytes.Buffer
	if err := p.templates.ExecuteTemplate(&b, name, data); err != nil {
		p.log.Error("the page cannot be made: " + err.Error())
		http.Error(w, "The page cannot be made; the program's log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // whoever asked may have gone
}

// frame is what every page shows round its own.
type frame struct {
	Title  string
	Form   string // the token of its forms
	Locked bool   // there is a session to end
	Live   bool   // the script keeps it new
}

func (p *Page) frame(title, form string) frame {
	return frame{Title: title, Form: form}
}

// said is a page of a sentence or two.
type said struct {
	frame
	Head, Body string
}

func (p *Page) refuse(w http.ResponseWriter, _ *http.Request, status int, head, body string) {
	p.render(w, status, "said", said{p.frame(head, ""), head, body})
}
