package vault

import (
	"bufio"
	"bytes"
	"io"
	"path"

	"github.com/kistarchive/kist/store/internal/format"
)

// PutNote keeps a note of this machine beside the copies, sealed. One that can't be kept is not.
func PutNote[R format.Record](v *Vault, kind format.ObjectKind, name string, record *R) {
	if v.kept == nil {
		return
	}
	header, sealer, err := v.Sealer(kind, path.Base(name))
	if err != nil {
		return
	}
	v.kept.Add(name, format.SealMark(header, record, sealer))
}

// Note gives a note of this machine, or nil where there is none that is whole.
func Note[R format.Record](v *Vault, kind format.ObjectKind, name string) *R {
	file := v.kept.Reader(name, -1)
	if file == nil {
		return nil
	}
	defer file.Close()
	b, err := io.ReadAll(io.LimitReader(file, format.MaxMark+1))
	if err != nil || len(b) > format.MaxMark {
		return nil
	}
	src := bufio.NewReaderSize(bytes.NewReader(b), format.MaxHeader)
	opener, err := v.Opener(src, kind, path.Base(name))
	if err != nil {
		return nil
	}
	sealed, err := io.ReadAll(src)
	if err != nil {
		return nil
	}
	record, err := format.OpenMark[R](sealed, opener)
	if err != nil {
		return nil
	}
	return record
}
