package objectstest

import (
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"time"
)

// Gateways are several ways to one object store in memory, of which some show what was a while ago.
type Gateways struct {
	Fake *Fake

	// Lists, and what is read by its name, show what was so long ago by all gateways, if that is longer.
	List, Read time.Duration

	mu   sync.Mutex
	past []passage // in the order of time
}

// passage is what an object was before a change.
type passage struct {
	at  time.Time
	key string
	was Stored
	had bool
	by  string
}

// Gateway is one of them.
type Gateway struct {
	Lag  time.Duration // what it shows, and holds conditions of writes against, is as long ago
	Skew time.Duration // its clock is ahead by that
	Site string        // what went by gateways of the same site it shows at once; "": it does not
}

// NewGateways gives gateways to an empty store.
func NewGateways() *Gateways { return &Gateways{Fake: newFake()} }

// Answer has a gateway answer a request.
func (g *Gateways) Answer(way Gateway, w http.ResponseWriter, r *http.Request) {
	content, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	answer := httptest.NewRecorder()
	g.mu.Lock()
	defer g.mu.Unlock()
	g.Fake.Requests = append(g.Fake.Requests, r.Method+" "+r.URL.String())
	g.do(way, answer, r, content)
	maps.Copy(w.Header(), answer.Header())
	w.Header().Set("Date", time.Now().Add(way.Skew).UTC().Format(http.TimeFormat))
	w.WriteHeader(answer.Code)
	w.Write(answer.Body.Bytes())
}

func (g *Gateways) do(way Gateway, w *httptest.ResponseRecorder, r *http.Request, content []byte) {
	f, now := g.Fake, time.Now()
	_, key, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	lag := max(way.Lag, g.Read)
	if r.URL.Query().Has("list-type") {
		lag = max(way.Lag, g.List)
	}
	seen, there := g.asOf(now.Add(-lag), way.Site), f.Objects
	if r.Method == http.MethodGet || r.Method == http.MethodHead {
		f.Objects = seen
		f.do(w, r, content)
		f.Objects = there
		return
	}
	was, had := there[key]
	_, shown := seen[key]
	if shown && !had && r.Method == http.MethodPut && r.Header.Get("If-None-Match") == "*" {
		Refuse(w, http.StatusPreconditionFailed, "PreconditionFailed")
		return
	}
	ignores := f.Ignores
	f.Ignores = ignores || !shown
	f.do(w, r, content)
	f.Ignores = ignores
	if w.Code >= 300 {
		return
	}
	g.past = append(g.past, passage{now, key, was, had, way.Site})
	if is, ok := f.Objects[key]; ok && way.Skew != 0 {
		is.Modified = is.Modified.Add(way.Skew)
		f.Objects[key] = is
	}
}

// asOf gives the objects that there were at a time, with what the site did since.
func (g *Gateways) asOf(at time.Time, site string) map[string]Stored {
	objects := maps.Clone(g.Fake.Objects)
	for i := len(g.past) - 1; i >= 0 && g.past[i].at.After(at); i-- {
		p := g.past[i]
		if site != "" && p.by == site {
			continue
		}
		if p.had {
			objects[p.key] = p.was
		} else {
			delete(objects, p.key)
		}
	}
	return objects
}
