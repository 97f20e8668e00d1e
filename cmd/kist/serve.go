package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"net"
	"os"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/page"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/serve"
)

// ownAddress is an address of this machine alone, with a port that is free.
const ownAddress = "127.0.0.1:0"

func (a *app) serveCommand() *cli.Command {
	return &cli.Command{
		Name:  "serve",
		Usage: "show the captures in a browser, and to file managers",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "listen", Value: ownAddress, Usage: "serve on `ADDRESS`, as HOST:PORT; port 0 is any free one"},
			&cli.StringFlag{Name: "certificate", Usage: "serve encrypted, by the TLS certificate (and its chain) in `FILE`"},
			&cli.StringFlag{Name: "certificate-key", Usage: "the certificate's private key is in `FILE`; without it, in that of the certificate"},
			&cli.BoolFlag{Name: "accept-plain", Usage: "serve other machines without encryption"},
		},
		Description: `
Prints an address for a browser: the captures, what is in them, downloads, two of them
compared, find over all, and what they cost. It lets one browser in, once; a new one
is printed then. File managers open the second address (as dav:// or davs://), with the
user and the password beside it. Nothing can be changed by either. An interrupt ends it.

Whoever comes in reads all that is in all captures. So it serves this machine alone,
unless --listen names another address: then it needs a certificate, or
--accept-plain, by which anybody on the way can read what is served, and the password.
From another machine, a tunnel of ssh (ssh -L) to an address of this machine needs neither.

A download that meets damage is broken off, and never ends as if it were whole.

Example:
  kist serve
  kist serve --listen 127.0.0.1:8420
  kist serve --listen hazel:8420 --certificate c.pem --certificate-key k.pem`,
		Action: a.serve,
	}
}

func (a *app) serve(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	at, err := checkServe(c)
	if err != nil {
		return err
	}
	own := onlyHere(at)
	certificate, err := certificateOf(c)
	if err != nil {
		return err
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	l, err := listenOn(at, c.String("listen"))
	if err != nil {
		return err
	}
	defer l.Close()
	if !own {
		a.warnOfOthers(certificate != nil)
	}
	o := serve.Options{
		Repository: r.Repository, Title: r.at.Full(), Names: namesOf(c.String("listen"), own, certificate), Secure: certificate != nil,
		Costs:   func(ctx context.Context) (*page.Report, error) { return a.costsNow(ctx, r) },
		Entered: a.entered,
		Failed:  func(err error) { a.Warn("an answer was broken off: %s", screen.Text(err.Error())) },
	}
	if certificate != nil {
		l = tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{*certificate}, MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"}})
	}
	s := serve.New(c.Context, l, o)
	if err := a.printServed(s); err != nil {
		return err
	}
	return s.Run(c.Context)
}

// onlyHere tells whether only this machine reaches an address.
func onlyHere(at *net.TCPAddr) bool { return at.IP != nil && at.IP.IsLoopback() }

func (a *app) warnOfOthers(encrypted bool) {
	text := "other machines can reach this address: whoever has what is printed reads all captures"
	if !encrypted {
		text += "; nothing is encrypted: so does whoever sees what is sent"
	}
	a.Warn("%s", text)
}

// namesOf gives the names by which requests may call this machine, beside its addresses: that which was
// given first, then those of the certificate. On other machines' networks also that of the host.
func namesOf(listen string, own bool, certificate *tls.Certificate) (names []string) {
	add := func(name string) {
		if name = strings.ToLower(name); name != "" && !strings.Contains(name, "*") && net.ParseIP(name) == nil {
			names = append(names, name)
		}
	}
	if host, _, err := net.SplitHostPort(listen); err == nil {
		add(host)
	}
	if certificate != nil {
		if leaf, err := x509.ParseCertificate(certificate.Certificate[0]); err == nil {
			for _, name := range leaf.DNSNames {
				add(name)
			}
		}
	}
	if host, err := os.Hostname(); err == nil && !own {
		add(host)
	}
	return names
}

// servedJSON is what scripts get.
type servedJSON struct {
	Address  string `json:"address"` // for a browser, once
	Folders  string `json:"folders"` // for file managers
	User     string `json:"user"`
	Password string `json:"password"`
}

func (a *app) printServed(s *serve.Server) error {
	if a.JSON {
		return a.PrintJSON(servedJSON{s.Address(), s.Folders(), serve.User, s.Password()})
	}
	a.Say("Open this in a browser; it lets one in, once:")
	a.Printf("%s\n", s.Address())
	a.Say("For file managers:")
	return a.Table([]string{s.Folders() + "\tuser " + serve.User + "\tpassword " + s.Password()})
}

// nextJSON is what scripts get whenever somebody came in.
type nextJSON struct {
	Address string `json:"address"` // for another browser, once
	From    string `json:"from"`    // who came in
}

// entered tells that somebody came in, and gives the address for another browser.
func (a *app) entered(from, address string) {
	a.Say("Somebody came in from %s. For another browser:", screen.Line(from))
	if !a.JSON {
		a.Printf("%s\n", address)
		return
	}
	if err := a.PrintJSON(nextJSON{address, from}); err != nil {
		a.Warn("the next address could not be printed: %s", screen.Text(err.Error()))
	}
}

// costsNow gives the page of costs as things are now.
func (a *app) costsNow(ctx context.Context, r *repository) (*page.Report, error) {
	u, err := r.Usage(ctx)
	if err != nil && u == nil {
		return nil, err
	}
	report := &page.Report{Usage: u, Gaps: a.usageGaps(u), Repository: r.at.Full(), Made: time.Now(), Zone: time.Local}
	report.Changes, err = lastChanges(ctx, r, u)
	return report, err
}
