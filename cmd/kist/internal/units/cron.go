package units

import (
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// cronTimes are the names that cron has (crontab(5)) for those of systemd.
var cronTimes = []string{"hourly", "daily", "weekly", "monthly"}

// Cron gives the line of a crontab, or a *cmdline.UsageError where cron can't express the
// job.
func (j *Job) Cron() (string, error) {
	if !slices.Contains(cronTimes, j.When) {
		return "", cmdline.Usagef("--cron --on-calendar %q: it must be one of %s", j.When, strings.Join(cronTimes, ", "))
	}
	opening := []string{"--passphrase-file", j.Secret.Passphrase}
	if j.Secret.Key != "" {
		opening = []string{"--key-file", j.Secret.Key}
	}
	var commands []string
	for _, words := range j.Commands {
		var quoted []string
		quoted = append(quoted, j.Store.variables()...)
		for _, word := range slices.Concat([]string{j.Program, words[0]}, opening, words[1:]) {
			quoted = append(quoted, screen.ShellQuote(word))
		}
		commands = append(commands, strings.Join(quoted, " "))
	}
	line := strings.Join(commands, " && ")
	if strings.Contains(line, "\n") {
		return "", cmdline.Usagef("a crontab line can't hold a line break")
	}
	return fmt.Sprintf("@%s %s\n", j.When, strings.ReplaceAll(line, "%", `\%`)), nil // crontab(5): % is a line break
}

// variables gives what is said by the environment, as a shell takes it before a command.
func (s *Store) variables() (quoted []string) {
	if s == nil {
		return nil
	}
	all := s.Variables
	if s.Keys != "" {
		all = append([]string{"AWS_SHARED_CREDENTIALS_FILE=" + s.Keys}, all...)
	}
	for _, variable := range all {
		name, value, _ := strings.Cut(variable, "=")
		quoted = append(quoted, name+"="+screen.ShellQuote(value))
	}
	return quoted
}
