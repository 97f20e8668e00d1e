// Package metrics tells monitoring systems what a run came to: gauges in the text format of
// Prometheus, in a file that several runs share.
//
// It knows how the file is read, put together and written, and what every run tells; what a
// command measures the command says. A run takes away what an earlier one of the same
// command, repository and service told, and leaves all else as it is. Of this module it imports
// files and screen.
package metrics
