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
