package main

import (
	"crypto/tls"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"syscall"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// checkServe gives the address that is served, and refuses to serve other machines unencrypted unasked.
func checkServe(c *cli.Context) (*net.TCPAddr, error) {
	listen := c.String("listen")
	at, err := listenAddress(listen)
	if err != nil {
		return nil, err
	}
	switch {
	case c.IsSet("certificate-key") && !c.IsSet("certificate"):
		return nil, usagef("serve: --certificate-key goes with --certificate")
	case c.IsSet("accept-plain") && c.IsSet("certificate"):
		return nil, usagef("serve: --accept-plain and --certificate are both given")
	case !onlyHere(at) && !c.IsSet("certificate") && !c.Bool("accept-plain"):
		return nil, usagef("serve: other machines reach %s, and anybody on the way could read what is served: give --certificate, or serve 127.0.0.1 and tunnel to it with ssh -L; --accept-plain serves all the same", listen)
	}
	return at, nil
}

// listenAddress takes apart what --listen says, and finds the address of a name.
func listenAddress(listen string) (*net.TCPAddr, error) {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return nil, usagef("serve: --listen %q is no HOST:PORT: give both, such as %s", listen, exampleOf(listen))
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return nil, usagef("serve: --listen %q: %q is no port: give a number up to 65535; 0 is any free one", listen, port)
	}
	at, err := net.ResolveTCPAddr("tcp", listen)
	if err != nil {
		return nil, usagef("serve: --listen %q: no address of %q was found: give a name or an address of this machine, such as 127.0.0.1:%s", listen, host, port)
	}
	return at, nil
}

// exampleOf gives what was probably meant by an address of which a part is missing.
func exampleOf(listen string) string {
	if _, err := strconv.ParseUint(listen, 10, 16); err == nil {
		return "127.0.0.1:" + listen
	}
	if listen == "" || strings.ContainsAny(listen, ": ") {
		return "127.0.0.1:8420, or [::1]:8420"
	}
	return listen + ":8420"
}

// listenOn listens on an address, and not by its name again, which may lead elsewhere by then.
func listenOn(at *net.TCPAddr, listen string) (net.Listener, error) {
	l, err := net.ListenTCP("tcp", at)
	if err == nil {
		return l, nil
	}
	advice := ""
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		err, advice = errors.New("another program serves there"), "End it, or give --listen another port; 0 is any free one."
	case errors.Is(err, syscall.EACCES):
		err, advice = fmt.Errorf("port %d is kept for root", at.Port), "Give --listen a port from 1024 on."
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		err, advice = fmt.Errorf("%s is no address of this machine", at.IP), "Give --listen one of this machine; 127.0.0.1 is for itself alone, 0.0.0.0 for all."
	}
	return nil, &advised{fmt.Errorf("can't serve on %s: %w", screen.Line(listen), err), advice}
}

// certificateOf reads the certificate that was asked for; nil: none was.
func certificateOf(c *cli.Context) (*tls.Certificate, error) {
	file := c.String("certificate")
	if file == "" {
		return nil, nil
	}
	certificate, err := readCertificate(file)
	if err != nil {
		return nil, err
	}
	keyFile, key := file, certificate
	if c.IsSet("certificate-key") {
		keyFile = c.String("certificate-key")
		if key, err = readCertificate(keyFile); err != nil {
			return nil, err
		}
	}
	switch kinds := kindsOf(key); {
	case !strings.Contains(kindsOf(certificate), "CERTIFICATE"):
		return nil, fmt.Errorf("there is no certificate in %s: it must be in PEM, with a line BEGIN CERTIFICATE", screen.Line(file))
	case strings.Contains(kinds, "ENCRYPTED"):
		return nil, fmt.Errorf("the certificate's key in %s is under a passphrase, by which kist can't read it: give one without", screen.Line(keyFile))
	case !strings.Contains(kinds, "PRIVATE KEY") && !c.IsSet("certificate-key"):
		return nil, usagef("serve: the private key of the certificate is not in %s: give its file with --certificate-key", screen.Line(file))
	case !strings.Contains(kinds, "PRIVATE KEY"):
		return nil, fmt.Errorf("there is no private key in %s: it must be in PEM, with a line BEGIN PRIVATE KEY", screen.Line(keyFile))
	}
	pair, err := tls.X509KeyPair(certificate, key)
	if err != nil {
		return nil, fmt.Errorf("the certificate %s and its key in %s can't be used: %w", screen.Line(file), screen.Line(keyFile), err)
	}
	return &pair, nil
}

// readCertificate reads the file of a certificate or of its key.
func readCertificate(file string) ([]byte, error) {
	// A pipe would be waited for, by which an interrupt does nothing.
	if info, err := os.Stat(file); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("the certificate: %s is no file", screen.Line(file))
	}
	b, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		return nil, missing(fmt.Errorf("the certificate: there is no file %s", screen.Line(file)))
	}
	if err != nil {
		return nil, fmt.Errorf("the certificate: %w", err)
	}
	return b, nil
}

// kindsOf gives what blocks of PEM say of themselves (RFC 7468, and RFC 1421 of keys under a passphrase).
func kindsOf(b []byte) string {
	var kinds strings.Builder
	for block, rest := pem.Decode(b); block != nil; block, rest = pem.Decode(rest) {
		fmt.Fprintln(&kinds, block.Type, block.Headers["Proc-Type"])
	}
	return kinds.String()
}
