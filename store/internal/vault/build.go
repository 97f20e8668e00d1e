package vault

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// Several may make a repository in one storage at once. Who puts the first settings goes on, since Mark keeps callers apart
// on every medium, as Put does not; the others have put nothing then. So the first settings are put whether or not there are
// some, and go again where there are none.

// lingerTime is how long may take what is done to the end after an interrupt, as taking back what was put: the storage may be away by then.
const lingerTime = 5 * time.Second

// build makes a repository of what a vault says about itself, and opens it. Where it fails, it takes back what it put; ErrLeft is among
// the errors where it can't.
func build(ctx context.Context, bare *Vault, secret crypt.Secret, o crypt.SlotOptions, s Settings) (_ *Vault, err error) {
	st := bare.storage
	b := &builder{Storage: st}
	bare.storage = b
	defer func() {
		if err != nil {
			err = b.undo(ctx, err)
		}
	}()
	settings, err := b.claim(ctx, bare, s)
	if err != nil {
		return nil, err
	}
	if err := checkEmpty(ctx, st); err != nil { // somebody may have made one, and let go of it, before
		return nil, err
	}
	slot, err := newSlot(ctx, b, bare.root, bare.manifest.ID, secret, o)
	if err != nil {
		return nil, err
	}
	// Before kist.json: a repository has from its beginning what was asked for, and without its mark this place would be
	// taken for the first one.
	if err := bare.putBeginning(ctx, settings, s); err != nil {
		return nil, err
	}
	if err := putManifest(ctx, b, bare.manifest, bare.keys); err != nil {
		return nil, err
	}
	v, err := newVault(st, bare.manifest, bare.root, bare.keys, slot)
	if err != nil {
		return nil, err
	}
	v.place = bare.place
	if !s.areChanging() {
		b.letGo(ctx)
		return v, nil
	}
	v.settings.record = settings.record
	v.storage = b
	err = v.SpareWhatOpens(ctx)
	v.storage = st
	return v, err
}

// firstSettings are settings and the bytes of their mark.
type firstSettings struct {
	record *format.SettingsRecord
	sealed []byte
}

// claim puts the first settings, by which of several one goes on.
func (b *builder) claim(ctx context.Context, v *Vault, s Settings) (firstSettings, error) {
	record := &format.SettingsRecord{Made: time.Now().UTC().Truncate(time.Second), Host: s.Host, Parity: uint32(s.Parity), Deltas: s.Deltas}
	name := names.Settings(0)
	header, sealer, err := v.Sealer(format.Settings, path.Base(name))
	if err != nil {
		return firstSettings{}, err
	}
	f := firstSettings{record, format.SealMark(header, record, sealer)}
	err = b.Mark(ctx, name, f.sealed)
	if errors.Is(err, storage.ErrExists) {
		return f, fmt.Errorf("%w, or one is being made, or making one was stopped: %s is there", ErrExists, name)
	}
	return f, err
}

// putBeginning puts what is there before kist.json.
func (v *Vault) putBeginning(ctx context.Context, settings firstSettings, s Settings) error {
	if v.place != "" {
		if err := v.putPlace(ctx, v.place, s.Host); err != nil {
			return err
		}
	}
	if s.areChanging() {
		name := names.Again(names.Settings(0))
		if err := v.storage.Put(ctx, name, bytes.NewReader(settings.sealed)); err != nil {
			return fmt.Errorf("writing %s: %w", name, err)
		}
	}
	return keepReserve(ctx, v.storage, s.Reserve)
}

// putManifest puts kist.json, which comes last: only then is there a repository.
func putManifest(ctx context.Context, st storage.Storage, m *manifest, keys *crypt.Keys) error {
	err := st.Put(ctx, names.Manifest, bytes.NewReader(m.seal(keys)))
	if errors.Is(err, storage.ErrExists) {
		return ErrExists
	}
	if err != nil {
		return err
	}
	written, err := readManifest(ctx, st)
	if ctx.Err() != nil { // an interrupt comes too late: the repository is made
		long, cancel := lingering(ctx)
		defer cancel()
		if written, err = readManifest(long, st); long.Err() != nil {
			err = context.Cause(ctx)
		}
	}
	if err == nil && written.ID != m.ID {
		err = ErrExists // by a release that claims nothing
	}
	return err
}

// A builder notes what is put, and can take it back.
type builder struct {
	storage.Storage
	put []built
}

type built struct {
	name    string
	content []byte
}

// Put notes what may be there, whether or not it succeeds.
func (b *builder) Put(ctx context.Context, name string, content io.Reader) error {
	all, err := io.ReadAll(content)
	if err != nil {
		return err
	}
	return b.note(name, all, b.Storage.Put(ctx, name, bytes.NewReader(all)))
}

// Mark does so, too.
func (b *builder) Mark(ctx context.Context, name string, content []byte) error {
	return b.note(name, content, b.Storage.Mark(ctx, name, content))
}

func (b *builder) note(name string, content []byte, err error) error {
	if !errors.Is(err, storage.ErrExists) {
		b.put = append(b.put, built{name, content})
	}
	return err
}

// undo removes what was put, the last first: as long as kist.json is there, or may be, all stays that opens it, and the claim
// goes when nothing else is left. It adds to why what may be left.
func (b *builder) undo(ctx context.Context, why error) error {
	ctx, cancel := lingering(ctx)
	defer cancel()
	var left []string
	for i, o := range slices.Backward(b.put) {
		if b.takeBack(ctx, o) == nil {
			continue
		}
		left = append(left, o.name)
		if o.name == names.Manifest {
			for _, o := range slices.Backward(b.put[:i]) {
				left = append(left, o.name)
			}
			break
		}
	}
	if len(left) == 0 {
		return why
	}
	return fmt.Errorf("%w; %w: %s", why, ErrLeft, strings.Join(left, ", "))
}

// takeBack removes an object that has the content that was put, or its beginning, as a mark that could not be written to its
// end: another one is somebody else's.
func (b *builder) takeBack(ctx context.Context, o built) error {
	there, err := readAll(ctx, b.Storage, o.name, int64(len(o.content)))
	switch {
	case errors.Is(err, storage.ErrNotFound) || IsDamage(err) || err == nil && !bytes.HasPrefix(o.content, there):
		return nil
	case err != nil:
		return err
	}
	return b.Remove(ctx, o.name)
}

// letGo removes the claim. What stays of it where nothing may be removed says what holds without it.
func (b *builder) letGo(ctx context.Context) {
	ctx, cancel := lingering(ctx)
	defer cancel()
	b.takeBack(ctx, b.put[0])
}

// lingering gives a context for what is to be done though ctx may have ended.
func lingering(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.WithoutCancel(ctx), lingerTime)
}
