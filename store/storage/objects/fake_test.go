package objects_test

import (
	"bytes"
	"cmp"
	"crypto/sha256"
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

// fake is an object store in memory, as far as package objects needs one: one bucket, "seeds", in path style. What it does is of the
// Amazon S3 API reference; TestCeph holds the package against an engine that others made.
type fake struct {
	t      *testing.T
	server *httptest.Server

	mu       sync.Mutex
	objects  map[string]stored
	uploads  map[string]*upload
	requests []string
	ignores  bool // the condition, as Ceph 16.2 does in a bucket with versions
	versions string
	page     int

	// before answers a request in the fake's place, if it returns true.
	before func(w http.ResponseWriter, r *http.Request) bool
	// after is called once a request has been done, with what it would answer; true: it has answered.
	after func(w http.ResponseWriter, r *http.Request) bool
}

type stored struct {
	content  []byte
	token    string
	modified time.Time
}

type upload struct {
	key, token string
	parts      map[int][]byte
	begun      time.Time
}

func newFake(t *testing.T) *fake {
	f := &fake{t: t, objects: map[string]stored{}, uploads: map[string]*upload{}, page: 1000}
	f.server = httptest.NewServer(f)
	t.Cleanup(f.server.Close)
	return f
}

// refuse answers with an error, as the API reference has them.
func refuse(w http.ResponseWriter, status int, code string) {
	w.Header().Set("Content-Type", "application/xml")
	w.WriteHeader(status)
	fmt.Fprintf(w, "<Error><Code>%s</Code><Message>of the fake</Message></Error>", code)
}

func (f *fake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	f.mu.Lock()
	f.requests = append(f.requests, r.Method+" "+r.URL.String())
	before, after := f.before, f.after
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
		refuse(w, http.StatusBadRequest, "XAmzContentSHA256Mismatch")
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

func (f *fake) do(w http.ResponseWriter, r *http.Request, content []byte) {
	bucket, key, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	query := r.URL.Query()
	switch {
	case bucket != "seeds":
		refuse(w, http.StatusNotFound, "NoSuchBucket")
	case query.Has("versioning"):
		fmt.Fprintf(w, "<VersioningConfiguration><Status>%s</Status></VersioningConfiguration>", f.versions)
	case query.Has("object-lock"):
		refuse(w, http.StatusNotFound, "ObjectLockConfigurationNotFoundError")
	case key == "" && query.Has("uploads"):
		f.listUploads(w, query.Get("prefix"))
	case key == "":
		f.list(w, query.Get("prefix"), query.Get("start-after"), query.Get("continuation-token"))
	case query.Has("uploads") || query.Has("uploadId"):
		f.inParts(w, r, key, content)
	case r.Method == http.MethodPut:
		f.put(w, r, key, content, r.Header.Get("X-Amz-Meta-Kist-Token"))
	case r.Method == http.MethodDelete:
		delete(f.objects, key)
		w.WriteHeader(http.StatusNoContent)
	default:
		f.get(w, r, key)
	}
}

func (f *fake) put(w http.ResponseWriter, r *http.Request, key string, content []byte, token string) bool {
	if _, taken := f.objects[key]; taken && r.Header.Get("If-None-Match") == "*" && !f.ignores {
		refuse(w, http.StatusPreconditionFailed, "PreconditionFailed")
		return false
	}
	f.objects[key] = stored{content, token, time.Now().UTC()}
	w.Header().Set("ETag", `"`+strconv.Itoa(len(content))+`"`)
	return true
}

func (f *fake) get(w http.ResponseWriter, r *http.Request, key string) {
	o, ok := f.objects[key]
	if !ok {
		refuse(w, http.StatusNotFound, "NoSuchKey")
		return
	}
	w.Header().Set("X-Amz-Meta-Kist-Token", o.token)
	http.ServeContent(w, r, "", o.modified, bytes.NewReader(o.content))
}

func (f *fake) list(w http.ResponseWriter, prefix, after, token string) {
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
	for _, key := range slices.Sorted(maps.Keys(f.objects)) {
		if !strings.HasPrefix(key, prefix) || key <= max(after, token) {
			continue
		}
		if len(page.Contents) == f.page {
			page.IsTruncated, page.NextContinuationToken = true, page.Contents[f.page-1].Key
			break
		}
		o := f.objects[key]
		page.Contents = append(page.Contents, entry{key, o.modified.Format("2006-01-02T15:04:05.000Z"), len(o.content)})
	}
	xml.NewEncoder(w).Encode(page)
}

func (f *fake) listUploads(w http.ResponseWriter, prefix string) {
	fmt.Fprint(w, "<ListMultipartUploadsResult>")
	for _, id := range slices.Sorted(maps.Keys(f.uploads)) {
		if u := f.uploads[id]; strings.HasPrefix(u.key, prefix) {
			fmt.Fprintf(w, "<Upload><Key>%s</Key><UploadId>%s</UploadId><Initiated>%s</Initiated></Upload>", u.key, id, u.begun.Format(time.RFC3339))
		}
	}
	fmt.Fprint(w, "</ListMultipartUploadsResult>")
}

func (f *fake) inParts(w http.ResponseWriter, r *http.Request, key string, content []byte) {
	id := r.URL.Query().Get("uploadId")
	u := f.uploads[id]
	switch {
	case id == "":
		id = fmt.Sprint("upload-", len(f.requests))
		f.uploads[id] = &upload{key, r.Header.Get("X-Amz-Meta-Kist-Token"), map[int][]byte{}, time.Now().UTC()}
		fmt.Fprintf(w, "<InitiateMultipartUploadResult><UploadId>%s</UploadId></InitiateMultipartUploadResult>", id)
	case u == nil:
		refuse(w, http.StatusNotFound, "NoSuchUpload")
	case r.Method == http.MethodPut:
		number, _ := strconv.Atoi(r.URL.Query().Get("partNumber"))
		u.parts[number] = content
		w.Header().Set("ETag", fmt.Sprintf(`"%d"`, number))
	case r.Method == http.MethodDelete:
		delete(f.uploads, id)
		w.WriteHeader(http.StatusNoContent)
	case r.Method == http.MethodGet:
		fmt.Fprint(w, "<ListPartsResult>")
		for _, n := range slices.Sorted(maps.Keys(u.parts)) {
			fmt.Fprintf(w, "<Part><PartNumber>%d</PartNumber><Size>%d</Size><LastModified>%s</LastModified></Part>", n, len(u.parts[n]), u.begun.Format(time.RFC3339))
		}
		fmt.Fprint(w, "</ListPartsResult>")
	default:
		var all []byte
		for _, n := range slices.SortedFunc(maps.Keys(u.parts), cmp.Compare[int]) {
			all = append(all, u.parts[n]...)
		}
		if f.put(w, r, key, all, u.token) {
			delete(f.uploads, id)
			fmt.Fprint(w, `<CompleteMultipartUploadResult><Bucket>seeds</Bucket><ETag>"x"</ETag></CompleteMultipartUploadResult>`)
		}
	}
}

// set changes the fake while requests may come.
func (f *fake) set(change func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change()
}

// count gives how many requests began with what is given, and forgets all.
func (f *fake) count(prefix string) (n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, r := range f.requests {
		if strings.HasPrefix(r, prefix) {
			n++
		}
	}
	f.requests = nil
	return n
}
