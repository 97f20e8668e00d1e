package objects

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/minio/minio-go/v7"
)

// The library stops a list without a word where the context ends between two pages: what it gave until then is not all.
func TestListIsCut(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprint(w, "<ListBucketResult><IsTruncated>true</IsTruncated><NextContinuationToken>a</NextContinuationToken>"+
			"<Contents><Key>a</Key><LastModified>2026-11-29T00:00:00.000Z</LastModified></Contents></ListBucketResult>")
	}))
	defer server.Close()
	s, err := Open(t.Context(), Options{Address: Address{Bucket: "seeds", Endpoint: server.URL}, Credentials: StaticKeys{AccessKey: "k", SecretKey: "s"}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	if err := s.walk(ctx, "", func(minio.ObjectInfo) { cancel() }); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want context.Canceled", err)
	}
}

// A list ends: pages that have nothing on them follow each other so many times and no more.
func TestPagesWithoutEnd(t *testing.T) {
	var a attempt
	page := func() error {
		_, err := checkList(io.NopCloser(strings.NewReader("<ListBucketResult>")), &a)
		return err
	}
	for range 2 * mostEmpty {
		if err := page(); err != nil {
			t.Fatal(err)
		}
		a.object()
	}
	for range mostEmpty {
		if err := page(); err != nil {
			t.Fatal(err)
		}
	}
	if err := page(); !errors.Is(err, ErrAnswer) || worthAnother(err) {
		t.Errorf("one page more: %v, want ErrAnswer", err)
	}
}

// So does a list of uploads, whose pages go on behind ever other markers.
func TestUploadsWithoutEnd(t *testing.T) {
	s, err := open(Options{Address: Address{Bucket: "seeds", Endpoint: "http://hazel"}, Credentials: StaticKeys{AccessKey: "seedbank", SecretKey: "none"}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	pages := 0
	err = s.connect("http://hazel", roundTripper(func(r *http.Request) (*http.Response, error) {
		pages++
		page := fmt.Sprintf("<ListMultipartUploadsResult><IsTruncated>%v</IsTruncated><NextKeyMarker>%d</NextKeyMarker></ListMultipartUploadsResult>", pages < 2*mostEmpty, pages)
		return &http.Response{StatusCode: http.StatusOK, Request: r, Body: io.NopCloser(strings.NewReader(page))}, nil
	}))
	if err != nil {
		t.Fatal(err)
	}
	if left, err := s.uploads(t.Context()); !errors.Is(err, ErrAnswer) || pages != mostEmpty+1 {
		t.Errorf("%d pages, %d uploads: %v, want ErrAnswer", pages, len(left), err)
	}
}

// Once a request is over nobody reads its body any more, whose memory is used again: net/http may go on for a while.
func TestBodyIsNotReadAfterwards(t *testing.T) {
	for name, answer := range map[string]*http.Response{"failed": nil, "answered": {StatusCode: http.StatusOK, Body: http.NoBody}} {
		var sent io.Reader
		b := &bounded{stall: time.Minute, inner: roundTripper(func(r *http.Request) (*http.Response, error) {
			if sent = r.Body; answer == nil {
				return nil, errors.New("broken")
			}
			return answer, nil
		})}
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPut, "http://hazel/seeds/a", strings.NewReader("seeds"))
		if err != nil {
			t.Fatal(err)
		}
		if response, err := b.RoundTrip(r); err == nil {
			response.Body.Close()
		}
		if n, err := sent.Read(make([]byte, 5)); n != 0 || !errors.Is(err, http.ErrBodyReadAfterClose) {
			t.Errorf("%s: %d bytes are read, %v", name, n, err)
		}
	}
}

type roundTripper func(*http.Request) (*http.Response, error)

func (f roundTripper) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }
