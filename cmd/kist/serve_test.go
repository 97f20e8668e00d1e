package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/binary"
	"encoding/json"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

// serving is a run of serve.
type serving struct {
	said servedJSON
	more chan nextJSON // what it prints then
	end  func() (told string)
}

// startServing runs serve until the test ends, or its end is called.
func startServing(t *testing.T, env map[string]string, args ...string) *serving {
	t.Helper()
	ctx, end := context.WithCancel(t.Context())
	out, stdout := io.Pipe()
	var stderr bytes.Buffer
	a := newApp(strings.NewReader(""), stdout, &stderr, func(key string) string { return env[key] })
	ended := make(chan int, 1)
	go func() {
		status := a.run(ctx, append([]string{"serve", "--json"}, args...))
		stdout.Close()
		ended <- status
		close(ended)
	}()
	s := &serving{more: make(chan nextJSON, 16)}
	lines := json.NewDecoder(out)
	s.end = func() string {
		end()
		out.Close()
		if status := <-ended; status != statusDone {
			t.Errorf("serve: status %d: %s", status, &stderr)
		}
		return stderr.String()
	}
	t.Cleanup(func() { s.end() })
	if err := lines.Decode(&s.said); err != nil {
		end()
		<-ended
		t.Fatalf("%v: %s", err, &stderr)
	}
	go func() {
		defer close(s.more)
		for next := (nextJSON{}); lines.Decode(&next) == nil; next = (nextJSON{}) {
			s.more <- next
		}
	}()
	return s
}

// emptyRepository gives the environment of a repository that holds nothing.
func emptyRepository(t *testing.T) map[string]string {
	t.Helper()
	dir := t.TempDir()
	env := map[string]string{
		"KIST_REPOSITORY": filepath.Join(dir, "repo"), "KIST_KEY_FILE": filepath.Join(dir, "key"), "KIST_CACHE": "off", "KIST_STATE": filepath.Join(dir, "known"),
	}
	var stderr bytes.Buffer
	a := newApp(strings.NewReader(""), io.Discard, &stderr, func(key string) string { return env[key] })
	if status := a.run(t.Context(), []string{"setup"}); status != statusDone {
		t.Fatalf("setup: status %d: %s", status, &stderr)
	}
	return env
}

// TestServeNextAddress: whenever somebody came in, a script gets the address for another one.
func TestServeNextAddress(t *testing.T) {
	s := startServing(t, emptyRepository(t))
	address := s.said.Address
	for range 2 {
		answer, err := http.Get(address)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		next := <-s.more
		if answer.StatusCode != http.StatusOK || next.Address == address || !strings.HasPrefix(next.From, "127.0.0.1:") {
			t.Errorf("%d, %+v", answer.StatusCode, next)
		}
		address = next.Address
	}
}

// certificateIn writes a certificate for a name, and its key, into one file.
func certificateIn(t *testing.T, name string) (file string, pool *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	of := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{name}, NotAfter: time.Now().Add(time.Hour)}
	made, err := x509.CreateCertificate(rand.Reader, of, of, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	all := append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: made}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})...)
	file = filepath.Join(t.TempDir(), "hazel.pem")
	if err := os.WriteFile(file, all, 0o600); err != nil {
		t.Fatal(err)
	}
	pool = x509.NewCertPool()
	pool.AppendCertsFromPEM(all)
	return file, pool
}

// TestServedNames: a server has the name that was given and those of its certificate, but no pattern of names, which are
// those of other machines, too, and no address, which needs none.
func TestServedNames(t *testing.T) {
	of := func(name string) *tls.Certificate {
		file, _ := certificateIn(t, name)
		c, err := tls.LoadX509KeyPair(file, file)
		if err != nil {
			t.Fatal(err)
		}
		return &c
	}
	for _, c := range []struct {
		listen, certificate string
		want                string
	}{
		{"127.0.0.1:0", "hazel.example.org", "hazel.example.org"}, {"HAZEL:8420", "Hazel.Example.org", "hazel hazel.example.org"},
		{"hazel:8420", "*.example.org", "hazel"}, {"[::1]:0", "*.example.org", ""}, {":8420", "hazel", "hazel"},
	} {
		if got := strings.Join(namesOf(c.listen, true, of(c.certificate)), " "); got != c.want {
			t.Errorf("%s, %s: %q, not %q", c.listen, c.certificate, got, c.want)
		}
	}
}

// TestServeOthers warns of other machines, and of what they see on the way.
func TestServeOthers(t *testing.T) {
	env := emptyRepository(t)
	file, pool := certificateIn(t, "hazel.example.org")
	for _, c := range []struct {
		what, scheme string
		args         []string
		others       bool // are served
		plain        bool
	}{
		{"this machine", "http://127.0.0.1:", nil, false, false},
		{"all, unencrypted", "http://", []string{"--listen", "0.0.0.0:0", "--accept-plain"}, true, true},
		{"all, encrypted", "https://hazel.example.org:", []string{"--listen", "0.0.0.0:0", "--certificate", file}, true, false},
		{"this machine, encrypted", "https://hazel.example.org:", []string{"--certificate", file}, false, false},
	} {
		s := startServing(t, env, c.args...)
		if !strings.HasPrefix(s.said.Address, c.scheme) {
			t.Errorf("%s: %s", c.what, s.said.Address)
		}
		if c.scheme == "https://hazel.example.org:" {
			checkEncrypted(t, s.said.Address, pool)
		}
		told := s.end()
		if strings.Contains(told, "other machines can reach this address") != c.others || strings.Contains(told, "nothing is encrypted") != c.plain {
			t.Errorf("%s: told %q", c.what, told)
		}
	}
}

// checkEncrypted comes in over TLS.
func checkEncrypted(t *testing.T, address string, pool *x509.CertPool) {
	t.Helper()
	here := func(ctx context.Context, network, at string) (net.Conn, error) {
		_, port, _ := net.SplitHostPort(at)
		return (&net.Dialer{}).DialContext(ctx, network, "127.0.0.1:"+port)
	}
	transport := &http.Transport{DialContext: here, TLSClientConfig: &tls.Config{RootCAs: pool}}
	defer transport.CloseIdleConnections()
	// TLS 1.0 and 1.1 must not be negotiated (RFC 8996).
	old := &http.Transport{DialContext: here, TLSClientConfig: &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}}
	if answer, err := (&http.Client{Transport: old}).Get(address); err == nil {
		answer.Body.Close()
		t.Error("served by TLS 1.1")
	}
	answer, err := (&http.Client{Transport: transport}).Get(address)
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if cookie := answer.Header.Get("Set-Cookie"); answer.StatusCode != http.StatusOK || !strings.HasPrefix(cookie, "__Host-kist-") || !strings.Contains(cookie, "; Secure") {
		t.Errorf("status %d, cookie %q", answer.StatusCode, cookie)
	}
}

// TestServeWhereChecked serves the address that was looked at, although the name leads elsewhere when it is asked again.
func TestServeWhereChecked(t *testing.T) {
	asked := byte(0)
	was := net.DefaultResolver
	t.Cleanup(func() { net.DefaultResolver = was })
	net.DefaultResolver = &net.Resolver{PreferGo: true, Dial: func(context.Context, string, string) (net.Conn, error) {
		here, there := net.Pipe()
		go answerName(there, func() [4]byte { asked++; return [4]byte{127, 0, 0, asked} })
		return here, nil
	}}
	s := startServing(t, emptyRepository(t), "--listen", "beds.example.org:0")
	if !strings.HasPrefix(s.said.Address, "http://127.0.0.1:") {
		t.Errorf("serves %s", s.said.Address)
	}
	if s.end(); asked != 1 {
		t.Errorf("the name was asked for %d times", asked)
	}
}

// TestServeTaken: who wants a place that is taken, or that is not of this machine, hears what to do.
func TestServeTaken(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	env := emptyRepository(t)
	for _, c := range []struct{ what, error, more string }{
		{l.Addr().String(), "can't serve on " + l.Addr().String() + ": another program serves there", "End it, or give --listen another port"},
		{"192.0.2.1:8420", "can't serve on 192.0.2.1:8420: 192.0.2.1 is no address of this machine", "Give --listen one of this machine"}, // RFC 5737: nobody's
	} {
		var stderr bytes.Buffer
		a := newApp(strings.NewReader(""), io.Discard, &stderr, func(key string) string { return env[key] })
		if status := a.run(t.Context(), []string{"serve", "--accept-plain", "--listen", c.what}); status != statusFailed {
			t.Errorf("%s: status %d", c.what, status)
		}
		if said := stderr.String(); !strings.Contains(said, c.error) || !strings.Contains(said, c.more) {
			t.Errorf("%s: %q", c.what, said)
		}
	}
}

// answerName answers one question for a name as a name server does over a stream (RFC 1035, 4.2.2).
func answerName(c net.Conn, address func() [4]byte) {
	defer c.Close()
	var length [2]byte
	if _, err := io.ReadFull(c, length[:]); err != nil {
		return
	}
	question := make([]byte, binary.BigEndian.Uint16(length[:]))
	if _, err := io.ReadFull(c, question); err != nil {
		return
	}
	var m dnsmessage.Message
	if m.Unpack(question) != nil || len(m.Questions) != 1 {
		return
	}
	q := m.Questions[0]
	answer := dnsmessage.Message{Header: dnsmessage.Header{ID: m.ID, Response: true, Authoritative: true}, Questions: m.Questions}
	if q.Type == dnsmessage.TypeA {
		h := dnsmessage.ResourceHeader{Name: q.Name, Type: q.Type, Class: q.Class}
		answer.Answers = []dnsmessage.Resource{{Header: h, Body: &dnsmessage.AResource{A: address()}}}
	}
	if packed, err := answer.AppendPack(make([]byte, 2)); err == nil {
		binary.BigEndian.PutUint16(packed, uint16(len(packed)-2))
		_, _ = c.Write(packed)
	}
}
