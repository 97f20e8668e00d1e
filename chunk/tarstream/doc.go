// Package tarstream splits a tar stream into the headers of its members and
// their contents, and loses nothing: the headers are kept verbatim, so that the
// parts put together again are the stream, to the byte.
//
// A [Reader] yields the parts. It reads the formats of v7, ustar, POSIX pax
// (global headers too), GNU tar (old and new, long names, sparse files of all
// versions), star and Solaris, with numbers in octal or base-256, in blocks of
// any blocking factor and with any bytes behind the end marker. An input that
// is no tar stream is one part with one content.
//
// A stream that was cut short, or whose next header is damaged, is an error
// that names the position ([UnfinishedError], [HeaderError]); where even such
// a stream must be taken, [Options].AcceptUnfinished carries what cannot be
// followed as plain bytes. A single zero block at the end counts as the end
// marker, as it does for GNU tar.
//
// A [Decoder] turns the verbatim headers into a [Member] for listing, and
// [Expand] reads a sparse file as it was. [Decompress] unpacks a compressed tar
// stream and recognises it by its content.
//
// Formats: POSIX.1-2017, pax, "pax Interchange Format" and "ustar Interchange
// Format"; GNU tar manual 1.34, appendix "Tar Internals"; libarchive tar(5).
package tarstream
