package store

import (
	"fmt"

	"github.com/klauspost/compress/zstd"
)

// Level is how hard frames are compressed: from fast to small. Any of them can be read
// alike, and captures of different levels share chunks.
type Level int

const (
	// LevelDefault is LevelFastest for long contents, and LevelMiddle for the rest.
	LevelDefault Level = iota
	LevelFastest
	LevelMiddle
	LevelBetter
	LevelBest
)

var levelNames = [...]string{"default", "fastest", "middle", "better", "best"}

// String gives the level's name in lower case, or its number where it has none.
func (l Level) String() string {
	if !l.known() {
		return fmt.Sprintf("Level(%d)", int(l))
	}
	return levelNames[l]
}

func (l Level) known() bool { return l >= LevelDefault && int(l) < len(levelNames) }

// encoder gives the level as the package of zstd has it.
func (l Level) encoder() zstd.EncoderLevel {
	switch l {
	case LevelFastest:
		return zstd.SpeedFastest
	case LevelMiddle:
		return zstd.SpeedDefault
	case LevelBetter:
		return zstd.SpeedBetterCompression
	case LevelBest:
		return zstd.SpeedBestCompression
	}
	return 0
}
