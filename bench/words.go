package main

import (
	"encoding/binary"
	"math/rand/v2"
)

// words are what the made texts consist of.
var words = [...]string{
	"barley", "bean", "beetroot", "borage", "broad", "cabbage", "calendula", "carrot", "chard", "chicory",
	"coriander", "cress", "dill", "early", "endive", "fennel", "field", "flax", "germinated", "greenhouse",
	"hardy", "harvested", "heirloom", "kale", "landrace", "leek", "lentil", "lettuce", "linseed", "lot",
	"marrow", "melon", "millet", "moist", "north", "nursery", "oats", "onion", "orach", "parsley",
	"parsnip", "pea", "pepper", "planted", "plot", "poppy", "pumpkin", "purslane", "radish", "received",
	"returned", "rye", "saved", "sown", "spinach", "spring", "stored", "sunflower", "thyme", "turnip",
	"valley", "vetch", "wheat", "yarrow",
}

// appendSentence appends n words with spaces between.
func appendSentence(b []byte, r *rand.Rand, n int) []byte {
	for i := range n {
		if i > 0 {
			b = append(b, ' ')
		}
		b = append(b, words[r.IntN(len(words))]...)
	}
	return b
}

func sentence(r *rand.Rand, n int) string { return string(appendSentence(nil, r, n)) }

// fill fills b with what no compressor shortens.
func fill(r *rand.Rand, b []byte) {
	for len(b) >= 8 {
		binary.LittleEndian.PutUint64(b, r.Uint64())
		b = b[8:]
	}
	for i := range b {
		b[i] = byte(r.Uint32())
	}
}
