package serve

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net/http"
	"path"
	"strings"

	"golang.org/x/net/webdav"

	"github.com/kistarchive/kist/store"
)

// davPrefix is where the folders for file managers begin.
const davPrefix = "/dav"

// davMethods are those that change nothing; all others are refused.
const davMethods = "OPTIONS, GET, HEAD, PROPFIND"

const (
	mostAsked         = 16 << 10 // bytes of a question of a file manager
	mostProperties    = 100      // that it asks for of each member
	mostPropertyBytes = 2 << 10  // bytes of their names, with those of their name spaces: an answer has them again for each member
)

// dav answers a file manager (RFC 4918, class 1, of which nothing writes).
func (s *Server) dav(w *answer, r *http.Request) error {
	tree := &davTree{library: s.library, known: make(map[string]*davInfo), linkTime: linkTime}
	switch r.Method {
	case http.MethodOptions:
		w.Header().Set("Allow", davMethods)
		w.Header().Set("DAV", "1")
		w.WriteHeader(http.StatusOK)
		return nil
	case "PROPFIND":
		return tree.propfind(w, r)
	case http.MethodGet, http.MethodHead:
		return s.davGet(w, r, tree)
	}
	w.Header().Set("Allow", davMethods)
	http.Error(w, "Nothing here can be changed.", http.StatusMethodNotAllowed)
	return nil
}

// propfind lists a folder, or tells of one member. Not all below a folder at once: the standard lets a
// server refuse that (RFC 4918, 9.1).
func (t *davTree) propfind(w *answer, r *http.Request) error {
	if depth := r.Header.Get("Depth"); depth != "0" && depth != "1" {
		w.Header().Set("Content-Type", "application/xml; charset=utf-8")
		w.WriteHeader(http.StatusForbidden)
		_, err := w.Write([]byte(`<?xml version="1.0" encoding="utf-8"?>` + "\n" + `<D:error xmlns:D="DAV:"><D:propfind-finite-depth/></D:error>`))
		return err
	}
	if _, err := t.Stat(r.Context(), strings.TrimPrefix(r.URL.Path, davPrefix)); err != nil {
		return err
	}
	asked, err := askedOf(w, r)
	if err != nil {
		return err
	}
	r.Body = io.NopCloser(bytes.NewReader(asked))
	h := &webdav.Handler{Prefix: davPrefix, FileSystem: t, LockSystem: webdav.NewMemLS()}
	h.ServeHTTP(w, r)
	return t.failed // the handler may have left out what failed
}

// askedOf gives what a PROPFIND asks for. What is no XML is left to the handler.
func askedOf(w http.ResponseWriter, r *http.Request) ([]byte, error) {
	asked, err := io.ReadAll(http.MaxBytesReader(w, r.Body, mostAsked))
	var long *http.MaxBytesError
	if errors.As(err, &long) {
		return nil, &statusError{http.StatusRequestEntityTooLarge, fmt.Sprintf("The question has more than %d bytes.", mostAsked)}
	}
	if err != nil {
		return nil, &statusError{http.StatusBadRequest, "The question could not be read."}
	}
	elements, names := 0, 0 // no fewer than properties
	for d := xml.NewDecoder(bytes.NewReader(asked)); ; {
		token, err := d.Token()
		if err != nil {
			return asked, nil
		}
		if e, ok := token.(xml.StartElement); ok {
			if names += len(e.Name.Space) + len(e.Name.Local); names > mostPropertyBytes {
				return nil, &statusError{http.StatusForbidden, fmt.Sprintf("The names of the properties have more than %d bytes.", mostPropertyBytes)}
			}
			if elements++; elements > mostProperties {
				return nil, &statusError{http.StatusForbidden, fmt.Sprintf("More than %d properties are asked for.", mostProperties)}
			}
		}
	}
}

// davGet sends a member. What a folder holds is asked for by PROPFIND.
func (s *Server) davGet(w *answer, r *http.Request, t *davTree) error {
	name := strings.TrimPrefix(r.URL.Path, davPrefix)
	info, err := t.Stat(r.Context(), name)
	if err != nil {
		return err
	}
	if info.IsDir() {
		w.Header().Set("Allow", "OPTIONS, PROPFIND")
		http.Error(w, "This is a folder for a file manager. A browser begins at the address that kist printed.", http.StatusMethodNotAllowed)
		return nil
	}
	at, _ := t.ref(path.Clean("/" + name))
	return s.send(w, r, at)
}

// segment gives a name of a capture or of a volume as one part of a path. Different names give different parts.
func segment(name string) string {
	if name == "" {
		return "%"
	}
	escaped := strings.NewReplacer("%", "%25", "/", "%2F", `\`, "%5C", "\x00", "%00").Replace(name)
	if strings.Trim(escaped, ".") == "" {
		return strings.ReplaceAll(escaped, ".", "%2E")
	}
	return escaped
}

// ref gives what a path below the folder of a volume means.
func (t *davTree) ref(clean string) (ref, bool) {
	parts := strings.SplitN(strings.TrimPrefix(clean, "/"), "/", 4)
	if len(parts) < 3 {
		return ref{}, false
	}
	at := ref{Capture: parts[1]}
	if len(parts) == 4 {
		at.Path = parts[3]
	}
	c := t.capture(parts[0], parts[1])
	if c == nil {
		return ref{}, false
	}
	for i := range c.Volumes {
		if segment(c.Volumes[i].Name) == parts[2] {
			at.Volume = c.Volumes[i].Name
			return at, true
		}
	}
	return ref{}, false
}

// capture gives a capture by the name of its folder.
func (t *davTree) capture(name, id string) *store.Capture {
	for _, c := range t.captures {
		if c.ID == id && segment(c.Name) == name {
			return c
		}
	}
	return nil
}
