package volume

import "strings"

// What is said of files and folders that changed while they were read.
const (
	fileGrew      = "it grew while it was read; what was added is not in the stream"
	fileShrank    = "it shrank while it was read; the stream has zeros for what went missing"
	timesChanged  = "its times changed while it was read"
	folderMoved   = "the folder was moved while it was read"
	folderChanged = "the folder changed while it was read"
)

// TellsOfChange tells whether a text ends with a reason of ReadReport.Changed, behind a path
// and a colon. Paths may say anything, so only the end counts.
func TellsOfChange(text string) bool {
	for _, reason := range []string{fileGrew, fileShrank, timesChanged, folderMoved, folderChanged} {
		if strings.HasSuffix(text, ": "+reason) {
			return true
		}
	}
	return false
}
