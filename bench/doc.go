// Command bench measures kist against tar piped into zstd, on the same data in
// one run on one machine, and captures open data: releases of Go modules, an
// embedded database, and servers that Debian offers.
//
//	go run ./bench help
//
// Every figure is measured from outside where that can be: space by the lengths
// of the files in the repository's folder, time and memory by the process that
// did the work. Whatever is captured is restored and compared with the original,
// and the run fails if a single byte differs.
package main
