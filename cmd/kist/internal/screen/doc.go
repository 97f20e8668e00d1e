// Package screen is the program's way to the person, or the script, before it: what is
// printed where, and in which form.
//
// It knows nothing of repositories, of commands or of the machine, only streams and
// text; of this module it imports nothing. Whatever comes from outside goes to the
// screen through [Printable], [Text] or [Line], or as JSON through [Screen.PrintJSON].
//
// The rules of the screen:
//
//   - Results go to standard output and everything else to standard error.
//   - Nothing is coloured, so NO_COLOR has nothing to switch off, and nothing
//     needs a terminal.
//   - Sizes are in IEC units, times are local and to the minute. JSON has bytes,
//     and times as RFC 3339 says.
//   - Whatever comes from a repository, a stream or a file system is escaped, so
//     that no name can steer a terminal or break a line.
//   - A table has lower-case headings, columns two spaces apart, and no rules.
//   - --quiet leaves results, warnings and errors.
//   - JSON is one line for each capture, member or key slot, so that it can be
//     read by line as well.
package screen
