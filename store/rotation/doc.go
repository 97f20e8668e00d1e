// Package rotation decides which captures stay under a grandfather-father-son
// rotation: many recent ones, fewer old ones. It decides only; it reads no
// clock, no repository and no environment, and changes nothing.
//
// The rules, for each group of captures by itself:
//
//   - Last: the newest n captures stay.
//   - Days, Weeks, Months, Years: of each of the n latest days (weeks, months,
//     years), the newest capture stays. Only those that have a capture count:
//     however long a service rests, its captures do not run out by themselves,
//     and Days: 7 of a service captured once a month reaches back seven months.
//     Weeks are those of ISO 8601: from Monday, the first of a year being the
//     one with its first Thursday. Periods rank by their newest capture, which
//     is their order but where clocks went back across midnight.
//   - Versions: of each of the n latest versions, by their newest captures, the newest
//     capture stays. Captures without a version count for none.
//   - The newest capture always stays, and so does a held one.
//   - A doubtful capture, as one of a service that ran meanwhile, stands back: of a period or
//     version the newest one that is not doubtful stays in its place, if there is one. Where
//     the newest of all is doubtful, the newest that is not stays as well.
//   - A capture stays if any rule wants it. Rules overlap and do not add up: the
//     newest capture is the last one, that of its day, its week, its month and
//     its year.
//   - A held capture counts like any other, so that to hold or release one
//     changes nothing for the rest.
//   - A capture dated after now has a wrong date, or now is wrong. It stays, but
//     counts for no rule and is not the newest, so that it pushes out nothing.
//     Once its time comes it is like any other. Its reason is Future: tell the
//     user, who may want to retire it.
//
// It does not matter how often a rotation runs, nor in which order captures
// arrive. What stays after a run for every new capture is what would stay if all
// of them were planned at once, for every rule. Five things break this, since no
// rule brings back what is gone: rules that grew, another location, an earlier run
// whose clock was ahead, captures retired otherwise or left out of a plan, and doubtful
// captures of a version that comes back after it had gone, or that arrive out of order.
//
// Nothing shows here that a capture's date is too early. Such a capture counts as
// old as it says, and may be retired while it is new: a caller that knows when it
// was written may want to leave the recently written ones out of what it retires
// (not out of the plan).
package rotation
