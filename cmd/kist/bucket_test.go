package main

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
)

// TestStoreRefuses: whatever an object store says, the run ends with the status and the words for that, nothing is asked for, and no
// key shows.
func TestStoreRefuses(t *testing.T) {
	for _, test := range []struct {
		code         string // of the Amazon S3 API reference, "Error responses"
		http, status int
		says         string
	}{
		{"NoSuchBucket", 404, statusMissing, "no kist repository: there is no such bucket"},
		{"AccessDenied", 403, statusFailed, "The key may have to list the bucket"},
		{"InvalidAccessKeyId", 403, statusFailed, "does not take the access key"},
		{"SignatureDoesNotMatch", 403, statusFailed, "does not take the access key"},
		{"ExpiredToken", 400, statusFailed, "the credentials have expired"},
		{"RequestTimeTooSkewed", 403, statusFailed, "clock"},
		{"PermanentRedirect", 301, statusFailed, "another region"},
		{"SlowDown", 503, statusFailed, "there was no answer in time"},
	} {
		t.Run(test.code, func(t *testing.T) {
			t.Parallel()
			server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				w.Header().Set("Content-Type", "application/xml")
				w.WriteHeader(test.http)
				fmt.Fprintf(w, "<Error><Code>%s</Code></Error>", test.code)
			}))
			defer server.Close()
			env := map[string]string{
				"AWS_ACCESS_KEY_ID": "hazel", "AWS_SECRET_ACCESS_KEY": "hunter2", "KIST_REPOSITORY": "s3://seeds/hazel?endpoint=" + server.URL,
				"KIST_KEY_FILE": filepath.Join(t.TempDir(), "key"), "XDG_STATE_HOME": t.TempDir(), "KIST_STATE": t.TempDir(), "KIST_CACHE": "off",
			}
			for _, args := range [][]string{{"list"}, {"setup"}, {"capture", "--name", "seeds", t.TempDir()}} {
				var said bytes.Buffer
				a := newApp(strings.NewReader(""), &said, &said, func(name string) string { return env[name] })
				a.tty = noTerminal
				status := a.run(t.Context(), append(args, "--give-up", "1s"))
				text := said.String()
				if args[0] == "list" && !strings.Contains(text, test.says) || strings.Contains(text, "hunter2") || strings.Contains(text, "mount") || status != test.status {
					t.Errorf("%v: status %d, %s", args, status, text)
				}
			}
		})
	}
}
