package tarstream

import (
	"errors"
	"fmt"
)

// Errors for errors.Is. Each names the byte position in its message.
var (
	// ErrUnfinished matches every *UnfinishedError.
	ErrUnfinished = errors.New("tar stream ends too early")

	// ErrHeader matches every *HeaderError.
	ErrHeader = errors.New("no valid tar header where one must be")

	// ErrHeaderLength matches a *HeaderError whose bytes before one content
	// would exceed MaxHeader.
	ErrHeaderLength = errors.New("tar header too long")

	// ErrContentLeft is returned by Reader.Next when the content of the
	// current part has not been read to its end.
	ErrContentLeft = errors.New("content of the current part not read to its end")

	// ErrCorrupt matches every *CorruptError.
	ErrCorrupt = errors.New("compressed stream cannot be unpacked")

	// ErrWindow is returned by Decompress, or the reader it returned, for an
	// input that asks for more memory than MaxWindow.
	ErrWindow = errors.New("compressed with too large a window")
)

// An UnfinishedError says that a stream ended where more had to come. It is
// returned by [Reader] when the end marker of two zero blocks is missing, and by
// the reader of [Decompress] when the compressed stream was cut short.
type UnfinishedError struct {
	// Offset is the length of what was there of the tar stream, in bytes. In
	// a compressed one, it counts unpacked bytes.
	Offset int64

	// Compressed is the length of the compressed stream, or 0 where the tar
	// stream was not compressed.
	Compressed int64

	// Where says what was cut, as in "inside a header".
	Where string
}

func (e *UnfinishedError) Error() string {
	at := fmt.Sprintf("byte %d", e.Offset)
	if e.Compressed > 0 {
		at = fmt.Sprintf("byte %d, byte %d of the compressed stream,", e.Offset, e.Compressed)
	}
	return fmt.Sprintf("tar stream ends at %s %s: it was cut short; make or copy it again", at, e.Where)
}

// Is reports whether target is [ErrUnfinished].
func (e *UnfinishedError) Is(target error) bool { return target == ErrUnfinished }

// A HeaderError says that a tar stream cannot be followed from one of its
// headers on.
type HeaderError struct {
	Offset int64  // position in the stream of the block in question
	Reason string // what is wrong with it
	long   bool
}

func (e *HeaderError) Error() string {
	return fmt.Sprintf("tar stream is damaged at byte %d: %s; make or copy it again", e.Offset, e.Reason)
}

// Is reports whether target is [ErrHeader], or [ErrHeaderLength] where that is
// what happened.
func (e *HeaderError) Is(target error) bool {
	return target == ErrHeader || e.long && target == ErrHeaderLength
}

// A CorruptError says that a compressed stream cannot be unpacked.
type CorruptError struct {
	Compression Compression
	Offset      int64 // bytes unpacked until then
	Compressed  int64 // bytes read of the compressed stream: the damage lies before
	Err         error // what the decompressor says
}

func (e *CorruptError) Error() string {
	return fmt.Sprintf("%s stream cannot be unpacked beyond byte %d, the damage lies before byte %d: %v; make or copy it again",
		e.Compression, e.Offset, e.Compressed, e.Err)
}

// Is reports whether target is [ErrCorrupt].
func (e *CorruptError) Is(target error) bool { return target == ErrCorrupt }

func (e *CorruptError) Unwrap() error { return e.Err }
