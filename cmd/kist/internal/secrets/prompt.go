package secrets

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"

	"golang.org/x/term"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/crypt"
)

var errDiffer = errors.New("the two passphrases differ; nothing was changed")

// ask asks for a passphrase on the terminal, without showing it.
func (s *Source) ask(ctx context.Context, prompt string) (*crypt.Passphrase, error) {
	text, err := s.askText(ctx, prompt)
	if err != nil {
		return nil, err
	}
	defer clear(text)
	return crypt.NewPassphrase(text)
}

// askTwice asks for a new passphrase.
func (s *Source) askTwice(ctx context.Context) (*crypt.Passphrase, error) {
	first, err := s.askText(ctx, "New passphrase: ")
	if err != nil {
		return nil, err
	}
	defer clear(first)
	p, err := crypt.NewPassphrase(first)
	if err != nil {
		return nil, err
	}
	second, err := s.askText(ctx, "The same again: ")
	if err != nil {
		return nil, err
	}
	defer clear(second)
	if !bytes.Equal(first, second) {
		return nil, errDiffer
	}
	s.sayStrength(first)
	return p, nil
}

func (s *Source) askText(ctx context.Context, prompt string) ([]byte, error) {
	in, err := s.TTY()
	if err == nil {
		defer in.Close()
		fmt.Fprint(in, prompt)
		defer fmt.Fprintln(in)
	} else {
		stdin, ok := s.Stdin.(*os.File)
		if !ok || !screen.IsTerminal(stdin) {
			return nil, errNone
		}
		in = stdin
		fmt.Fprint(s.Screen.Err, prompt)
		defer fmt.Fprintln(s.Screen.Err)
	}
	return readHidden(ctx, int(in.Fd()))
}

// readHidden reads a line without echo. When ctx ends, the terminal gets its
// echo back, though the read goes on until the process ends.
func readHidden(ctx context.Context, fd int) ([]byte, error) {
	before, err := term.GetState(fd)
	if err != nil {
		return nil, fmt.Errorf("the terminal: %w", err)
	}
	type line struct {
		text []byte
		err  error
	}
	read := make(chan line, 1)
	go func() {
		text, err := term.ReadPassword(fd)
		read <- line{text, err}
	}()
	select {
	case l := <-read:
		if l.err != nil {
			return nil, fmt.Errorf("reading the passphrase: %w", l.err)
		}
		return l.text, nil
	case <-ctx.Done():
		return nil, errors.Join(ctx.Err(), term.Restore(fd, before))
	}
}
