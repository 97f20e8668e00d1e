package objects

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
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
