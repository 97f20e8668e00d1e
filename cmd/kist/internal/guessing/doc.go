// Package guessing estimates how many guesses find a passphrase, for who tries what people choose first: common
// passwords, words and names, dates, rows of keys, sequences, repetitions. It knows nothing of kist.
//
// It is the method of Wheeler, "zxcvbn: Low-Budget Password Strength Estimation" (USENIX Security 2016), without its
// factors for the order of parts; it leaves out what makes more of a passphrase than a sum of its parts, so that it
// errs towards weak. The libraries of that method take 60 to 300 ms of the processor at each start of the program, also
// where nobody is asked for a passphrase.
//
// words.txt.gz has the lists of words of github.com/ccojocar/zxcvbn-go v1.0.4 (MIT License: words.LICENSE): Mark
// Burnett's common passwords, English words by Wiktionary's frequency lists, and names by the US census; surnames are
// its first 10,000. A list a paragraph, the commonest first.
package guessing
