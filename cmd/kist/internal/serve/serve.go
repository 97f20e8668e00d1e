package serve

import (
	"context"
	"errors"
	"io"
	"log"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"sync"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/page"
	"github.com/kistarchive/kist/store"
)

// Options say what is served, and to whom.
type Options struct {
	Repository *store.Repository
	Title      string // of the repository, for people
	// Costs counts what the page of costs shows, without rules; nil: there is none. It is not called while it is at work.
	Costs func(context.Context) (*page.Report, error)
	// Secure tells that what the listener gives is encrypted.
	Secure bool
	// Names are other names of this machine that requests may be meant for, in lower case. Addresses, and
	// localhost on this machine itself, need none.
	Names []string
	// Entered, if set, is told when an address was used to come in, from where, and the next one, which works once as well.
	Entered func(from, address string)
	// Failed, if set, is told of answers that had to be broken off. Neither is called while one of them is.
	Failed func(error)
}

// Server serves a repository on one listener.
type Server struct {
	o        Options
	base     string // scheme and host of addresses
	at       net.Listener
	gate     *gate
	hosts    *hosts
	library  *library
	work     *work
	places   *places
	counting *counting
	handler  http.Handler
	telling  sync.Mutex // calls Entered or Failed
}

// Limits of a server.
const (
	mostHeaders = 32 << 10         // bytes of a request's headers
	headerTime  = 10 * time.Second // for a request's headers to arrive
	requestTime = 30 * time.Second // for all of a request to arrive
	writeTime   = time.Minute      // for a part of an answer to go out
	idleTime    = 2 * time.Minute
	endTime     = 3 * time.Second // for answers to go out after the end
)

// New makes a server for a listener, which it closes at its end. Reading of the repository heeds ctx.
func New(ctx context.Context, l net.Listener, o Options) *Server {
	address := netip.MustParseAddrPort(l.Addr().String())
	s := &Server{o: o, at: l, gate: newGate(address.Port(), o.Secure), hosts: &hosts{names: o.Names, secure: o.Secure}, work: newWork(), places: &places{}, counting: newCounting()}
	s.library = &library{ctx: ctx, repository: o.Repository, countTime: countTime, most: mostNames()}
	s.base = baseAddress(address, o)
	s.handler = s.routes()
	return s
}

func baseAddress(at netip.AddrPort, o Options) string {
	host, scheme := at.Addr().Unmap().String(), "http"
	if o.Secure {
		scheme = "https"
	}
	if len(o.Names) > 0 && (at.Addr().IsUnspecified() || o.Secure) {
		host = o.Names[0]
	}
	return scheme + "://" + net.JoinHostPort(host, strconv.Itoa(int(at.Port())))
}

// Address gives the address that lets somebody in, once.
func (s *Server) Address() string { return s.addressFor(s.gate.invitation()) }

func (s *Server) addressFor(token string) string {
	return s.base + "/enter?" + url.Values{"token": {token}}.Encode()
}

// Folders gives the address for file managers, and Password what they are asked for; User is whom they say they are.
func (s *Server) Folders() string { return s.base + davPrefix + "/" }

// Password gives the password for file managers.
func (s *Server) Password() string { return s.gate.password }

func (s *Server) entered(from string) {
	if s.o.Entered != nil {
		s.telling.Lock()
		defer s.telling.Unlock()
		s.o.Entered(from, s.Address())
	}
}

func (s *Server) failed(err error) {
	if s.o.Failed != nil {
		s.telling.Lock()
		defer s.telling.Unlock()
		s.o.Failed(err)
	}
}

// Run serves until ctx is done, which is no error. Answers that go out then are broken off.
func (s *Server) Run(ctx context.Context) error {
	server := s.http(ctx)
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(s.at) }()
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
	}
	end, cancel := context.WithTimeout(context.WithoutCancel(ctx), endTime)
	defer cancel()
	if server.Shutdown(end) != nil {
		server.Close()
	}
	if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// http is what answers requests, within the limits.
func (s *Server) http(ctx context.Context) *http.Server {
	return &http.Server{
		Handler: s.handler, MaxHeaderBytes: mostHeaders,
		ReadHeaderTimeout: headerTime, ReadTimeout: requestTime, IdleTimeout: idleTime,
		ErrorLog:    log.New(io.Discard, "", 0), // of clients that went away, and what they sent
		BaseContext: func(net.Listener) context.Context { return ctx },
		ConnContext: s.places.with, ConnState: s.places.state,
	}
}

func (s *Server) routes() http.Handler {
	inside := http.NewServeMux()
	for pattern, h := range map[string]handler{
		"GET /{$}": s.captures, "GET /capture": s.capture, "GET /folder": s.folder, "GET /member": s.member,
		"GET /picture": s.picture, "GET /download": s.download, "GET /tar": s.tar,
		"GET /compare": s.work.heavy(s.compare), "GET /text": s.work.heavy(s.text), "GET /find": s.work.heavy(s.find), "GET /costs": s.work.heavy(s.costs),
		"GET /": func(*answer, *http.Request) error { return errNoPage },
	} {
		inside.Handle(pattern, s.answering(h))
	}
	dav := http.NewServeMux()
	dav.Handle(davPrefix+"/", s.answering(s.dav))
	outside := http.NewServeMux()
	outside.Handle("GET /style.css", s.keepingIn(s.file("text/css; charset=utf-8", style())))
	outside.Handle("GET /icon.svg", s.keepingIn(s.file("image/svg+xml", icon)))
	outside.Handle("GET /enter", s.answering(s.enter))
	outside.Handle("POST /enter", s.answering(s.enter))
	outside.Handle(davPrefix+"/", s.withPassword(s.work.bounded(dav)))
	outside.Handle("/", s.onlyGet(s.withSession(s.work.bounded(inside))))
	return withHeaders(s.places.closing(s.hosts.only(outside, s.refuse)))
}
