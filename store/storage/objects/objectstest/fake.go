package objectstest

import (
	"bytes"
	"cmp"
	"crypto/md5"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/xml"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// Fake is an object store in memory, as far as package objects needs one: one bucket, "seeds", in path style. What it does is of the
// Amazon S3 API reference; TestCeph holds the package against an engine that others made.
type Fake struct {
	Server *httptest.Server

	mu       sync.Mutex
	Objects  map[string]Stored
	Uploads  map[string]*Upload
	Requests []string
	Ignores  bool // the condition, as Ceph 16.2 does in a bucket with versions
	Versions string
	Old      map[string][]Stored // what was removed or replaced while Versions was Enabled
	Locks    string              // the mode in which what is put is locked for a day; "": it is not
	Denied   string              // a parameter of requests for which the key has no right, such as "versions"
	Page     int

	// Before answers a request in the fake's place, if it returns true.
	Before func(w http.ResponseWriter, r *http.Request) bool
	// After is called once a request has been done, with what it would answer; true: it has answered.
	After func(w http.ResponseWriter, r *http.Request) bool
}

// Stored is an object.
type Stored struct {
	Content  []byte
	Token    string // by which a writer knows its own
	Modified time.Time
}

// Upload is an upload in parts.
type Upload struct {
	Key, Token string
	Parts      map[int][]byte
	Begun      time.Time
	Sent       time.Time // when its parts were; zero: as it was begun
}

// NewFake gives one, until the test ends.
func NewFake(t testing.TB) *Fake {
	f := newFake()
	f.Server = httptest.NewServer(f)
	t.Cleanup(f.Server.Close)
	return f
}

func newFake() *Fake {
	return &Fake{Objects: map[string]Stored{}, Uploads: map[string]*Upload{}, Old: map[string][]Stored{}, Page: 1000}
}

// Refuse answers with an error, as the API reference has them.
func Refuse(w http.ResponseWriter, status int, code string) {
	w.Header().Set("Content-Type", "application/xml")
	w.WriteHeader(status)
	fmt.Fprintf(w, "<Error><Code>%s</Code><Message>of the fake</Message></Error>", code)
}

// ServeHTTP implements [http.Handler].
func (f *Fake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	f.mu.Lock()
	f.Requests = append(f.Requests, r.Method+" "+r.URL.String())
	before, after := f.Before, f.After
	f.mu.Unlock()
	if before != nil && before(w, r) {
		return
	}
	content, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	sum := sha256.Sum256(content)
	said := r.Header.Get("X-Amz-Content-Sha256")
	summed := said == hex.EncodeToString(sum[:]) || said == "UNSIGNED-PAYLOAD" && r.Method != http.MethodPut
	if !strings.HasPrefix(r.Header.Get("Authorization"), "AWS4-HMAC-SHA256 Credential=") || !summed {
		Refuse(w, http.StatusBadRequest, "XAmzContentSHA256Mismatch")
		return
	}
	answer := httptest.NewRecorder()
	f.mu.Lock()
	f.do(answer, r, content)
	f.mu.Unlock()
	if after != nil && after(w, r) {
		return
	}
	maps.Copy(w.Header(), answer.Header())
	w.WriteHeader(answer.Code)
	w.Write(answer.Body.Bytes())
}

func (f *Fake) do(w http.ResponseWriter, r *http.Request, content []byte) {
	bucket, key, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	query := r.URL.Query()
	switch {
	case bucket != "seeds":
		Refuse(w, http.StatusNotFound, "NoSuchBucket")
	case f.Denied != "" && query.Has(f.Denied):
		Refuse(w, http.StatusForbidden, "AccessDenied")
	case query.Has("versioning"):
		fmt.Fprintf(w, "<VersioningConfiguration><Status>%s</Status></VersioningConfiguration>", f.Versions)
	case query.Has("object-lock") && f.Locks != "":
		fmt.Fprintf(w, "<ObjectLockConfiguration><ObjectLockEnabled>Enabled</ObjectLockEnabled><Rule><DefaultRetention><Mode>%s</Mode><Days>1</Days></DefaultRetention></Rule></ObjectLockConfiguration>", f.Locks)
	case query.Has("object-lock"):
		Refuse(w, http.StatusNotFound, "ObjectLockConfigurationNotFoundError")
	case f.Locks != "" && r.Method == http.MethodPut && r.Header.Get("Content-MD5") != sumMD5(content):
		// Amazon S3 user guide, "Object Lock considerations"; the text is from memory.
		w.WriteHeader(http.StatusBadRequest)
		fmt.Fprint(w, "<Error><Code>InvalidRequest</Code><Message>Content-MD5 OR x-amz-checksum- HTTP header is required for Put Object requests with Object Lock parameters</Message></Error>")
	case key == "" && query.Has("versions"):
		f.listVersions(w, query.Get("prefix"), query.Get("key-marker"))
	case key == "" && query.Has("uploads"):
		f.listUploads(w, query.Get("prefix"), query.Get("key-marker"), query.Get("upload-id-marker"))
	case key == "":
		f.list(w, query.Get("prefix"), query.Get("start-after"), query.Get("continuation-token"))
	case query.Has("uploads") || query.Has("uploadId"):
		f.inParts(w, r, key, content)
	case r.Method == http.MethodPut:
		f.put(w, r, key, content, r.Header.Get("X-Amz-Meta-Kist-Token"))
	case r.Method == http.MethodDelete:
		f.keep(key)
		delete(f.Objects, key)
		w.WriteHeader(http.StatusNoContent)
	default:
		f.get(w, r, key)
	}
}

func (f *Fake) put(w http.ResponseWriter, r *http.Request, key string, content []byte, token string) bool {
	if _, taken := f.Objects[key]; taken && r.Header.Get("If-None-Match") == "*" && !f.Ignores {
		Refuse(w, http.StatusPreconditionFailed, "PreconditionFailed")
		return false
	}
	f.keep(key)
	f.Objects[key] = Stored{content, token, time.Now().UTC()}
	w.Header().Set("ETag", `"`+strconv.Itoa(len(content))+`"`)
	return true
}

// keep notes what an object was that is removed or replaced.
func (f *Fake) keep(key string) {
	if o, ok := f.Objects[key]; ok && f.Versions == "Enabled" {
		f.Old[key] = append(f.Old[key], o)
	}
}

func sumMD5(content []byte) string {
	sum := md5.Sum(content)
	return base64.StdEncoding.EncodeToString(sum[:])
}

func (f *Fake) listVersions(w http.ResponseWriter, prefix, after string) {
	keys := slices.Sorted(maps.Keys(f.Objects))
	for key := range f.Old {
		if _, ok := f.Objects[key]; !ok {
			keys = append(keys, key)
		}
	}
	slices.Sort(keys)
	keys = slices.DeleteFunc(keys, func(key string) bool { return !strings.HasPrefix(key, prefix) || key <= after })
	more := len(keys) > f.Page
	keys = keys[:min(len(keys), f.Page)]
	fmt.Fprintf(w, "<ListVersionsResult><IsTruncated>%v</IsTruncated>", more)
	if more {
		fmt.Fprintf(w, "<NextKeyMarker>%s</NextKeyMarker>", keys[len(keys)-1])
	}
	for _, key := range keys {
		one := func(kind string, latest bool, size int) {
			fmt.Fprintf(w, "<%s><Key>%s</Key><VersionId>v</VersionId><IsLatest>%v</IsLatest><Size>%d</Size></%s>", kind, key, latest, size, kind)
		}
		if o, ok := f.Objects[key]; ok {
			one("Version", true, len(o.Content))
		} else {
			one("DeleteMarker", true, 0)
		}
		for _, o := range f.Old[key] {
			one("Version", false, len(o.Content))
		}
	}
	fmt.Fprint(w, "</ListVersionsResult>")
}

func (f *Fake) get(w http.ResponseWriter, r *http.Request, key string) {
	o, ok := f.Objects[key]
	if !ok {
		Refuse(w, http.StatusNotFound, "NoSuchKey")
		return
	}
	w.Header().Set("X-Amz-Meta-Kist-Token", o.Token)
	http.ServeContent(w, r, "", o.Modified, bytes.NewReader(o.Content))
}

func (f *Fake) list(w http.ResponseWriter, prefix, after, token string) {
	type entry struct {
		Key          string
		LastModified string
		Size         int
	}
	var page struct {
		XMLName               xml.Name `xml:"ListBucketResult"`
		IsTruncated           bool
		NextContinuationToken string
		Contents              []entry
	}
	for _, key := range slices.Sorted(maps.Keys(f.Objects)) {
		if !strings.HasPrefix(key, prefix) || key <= max(after, token) {
			continue
		}
		if len(page.Contents) == f.Page {
			page.IsTruncated, page.NextContinuationToken = true, page.Contents[f.Page-1].Key
			break
		}
		o := f.Objects[key]
		page.Contents = append(page.Contents, entry{key, o.Modified.Format("2006-01-02T15:04:05.000Z"), len(o.Content)})
	}
	xml.NewEncoder(w).Encode(page)
}

// listUploads gives the uploads in the order of their keys, and of one key in that of their ids, behind the markers.
func (f *Fake) listUploads(w http.ResponseWriter, prefix, key, id string) {
	place := func(id string) string { return f.Uploads[id].Key + "\x00" + id }
	ids := slices.SortedFunc(maps.Keys(f.Uploads), func(a, b string) int { return cmp.Compare(place(a), place(b)) })
	ids = slices.DeleteFunc(ids, func(upload string) bool {
		return !strings.HasPrefix(f.Uploads[upload].Key, prefix) || key != "" && place(upload) <= key+"\x00"+id
	})
	more := len(ids) > f.Page
	ids = ids[:min(len(ids), f.Page)]
	fmt.Fprintf(w, "<ListMultipartUploadsResult><IsTruncated>%v</IsTruncated>", more)
	if more {
		last := ids[len(ids)-1]
		fmt.Fprintf(w, "<NextKeyMarker>%s</NextKeyMarker><NextUploadIdMarker>%s</NextUploadIdMarker>", f.Uploads[last].Key, last)
	}
	for _, id := range ids {
		u := f.Uploads[id]
		fmt.Fprintf(w, "<Upload><Key>%s</Key><UploadId>%s</UploadId><Initiated>%s</Initiated></Upload>", u.Key, id, u.Begun.Format(time.RFC3339))
	}
	fmt.Fprint(w, "</ListMultipartUploadsResult>")
}

func (f *Fake) inParts(w http.ResponseWriter, r *http.Request, key string, content []byte) {
	id := r.URL.Query().Get("uploadId")
	u := f.Uploads[id]
	switch {
	case id == "":
		id = fmt.Sprint("upload-", len(f.Requests))
		f.Uploads[id] = &Upload{Key: key, Token: r.Header.Get("X-Amz-Meta-Kist-Token"), Parts: map[int][]byte{}, Begun: time.Now().UTC()}
		fmt.Fprintf(w, "<InitiateMultipartUploadResult><UploadId>%s</UploadId></InitiateMultipartUploadResult>", id)
	case u == nil:
		Refuse(w, http.StatusNotFound, "NoSuchUpload")
	case r.Method == http.MethodPut:
		number, _ := strconv.Atoi(r.URL.Query().Get("partNumber"))
		u.Parts[number] = content
		w.Header().Set("ETag", fmt.Sprintf(`"%d"`, number))
	case r.Method == http.MethodDelete:
		delete(f.Uploads, id)
		w.WriteHeader(http.StatusNoContent)
	case r.Method == http.MethodGet:
		fmt.Fprint(w, "<ListPartsResult>")
		for _, n := range slices.Sorted(maps.Keys(u.Parts)) {
			fmt.Fprintf(w, "<Part><PartNumber>%d</PartNumber><Size>%d</Size><LastModified>%s</LastModified></Part>", n, len(u.Parts[n]), cmp.Or(u.Sent, u.Begun).Format(time.RFC3339))
		}
		fmt.Fprint(w, "</ListPartsResult>")
	default:
		var all []byte
		for _, n := range slices.SortedFunc(maps.Keys(u.Parts), cmp.Compare[int]) {
			all = append(all, u.Parts[n]...)
		}
		if f.put(w, r, key, all, u.Token) {
			delete(f.Uploads, id)
			fmt.Fprint(w, `<CompleteMultipartUploadResult><Bucket>seeds</Bucket><ETag>"x"</ETag></CompleteMultipartUploadResult>`)
		}
	}
}

// Set changes the fake while requests may come.
func (f *Fake) Set(change func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change()
}

// Count gives how many requests began with what is given, and forgets all.
func (f *Fake) Count(prefix string) (n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, r := range f.Requests {
		if strings.HasPrefix(r, prefix) {
			n++
		}
	}
	f.Requests = nil
	return n
}
