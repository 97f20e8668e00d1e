package units

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
)

// Job is what is done again and again. Words and paths may be any; paths are absolute.
type Job struct {
	Name      string // of its units
	What      string // for people
	When      string // as systemd.time(7) has it, one line
	Program   string
	Commands  [][]string // their words, without Program and what opens the repository
	Secret    Secret
	Reads     []string
	Writes    string   // the repository
	Share     string   // where the share is mounted on which the repository lies, if the commands do something without it; "": else
	Also      []string // other folders that are written
	Patience  string   // with a repository that does not answer, as --give-up takes it
	Tells     string   // a file for metrics; "": none
	OnFailure string   // a unit that CheckName takes; "": none
	Container bool     // what is read is a container's, and its engine is needed
	Stops     bool     // the container or something else, for a while
	Runs      bool     // commands of the person's, which need the machine as it is
}

// Secret is the file that opens the repository: one of the two.
type Secret struct{ Key, Passphrase string }

func (s Secret) path() string { return s.Key + s.Passphrase }

// Kinds are those of the units of a job.
func Kinds() [2]string { return [2]string{"service", "timer"} }

// FileName gives the name of a unit (systemd.unit(5) has the characters).
func (j *Job) FileName(kind string) string {
	name := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("_.-", r) {
			return r
		}
		return '-'
	}, j.Name)
	const most = 200
	return "kist-" + name[:min(len(name), most)] + "." + kind
}

// Timer gives the unit that says when the service is started.
func (j *Job) Timer() string {
	return fmt.Sprintf(`[Unit]
Description=%s regularly

[Timer]
OnCalendar=%s
Persistent=yes

[Install]
WantedBy=timers.target
`, text(j.What), text(j.When))
}

// Service gives the unit that runs the commands, one after the other as long as none fails.
func (j *Job) Service() string {
	var b strings.Builder
	fmt.Fprintf(&b, "[Unit]\nDescription=%s\n", text(j.What))
	needs := slices.Concat([]string{j.Writes}, j.Also, j.Reads)
	if j.Share != "" {
		needs = needs[1:]
		mount := mountUnit(j.Share)
		fmt.Fprintf(&b, "# Without the share captures wait on this machine.\nWants=%s\nAfter=%[1]s\n", mount)
	}
	if len(needs) > 0 {
		fmt.Fprintf(&b, "RequiresMountsFor=%s\n", joined(needs))
	}
	if j.OnFailure != "" {
		fmt.Fprintf(&b, "OnFailure=%s\n", j.OnFailure)
	}
	b.WriteString("\n[Service]\nType=oneshot\n")
	for _, words := range j.Commands {
		fmt.Fprintf(&b, "ExecStart=%s\n", command(append([]string{j.Program}, words...)))
	}
	if j.Stops { // also where the run is killed: nobody may come by to run kist for a day
		fmt.Fprintf(&b, "ExecStopPost=%s\n", command([]string{j.Program, "resume", "--give-up", j.Patience}))
	}
	if j.Secret.Key != "" {
		fmt.Fprintf(&b, "LoadCredential=kist.key:%s\nEnvironment=KIST_KEY_FILE=%%d/kist.key\n", text(j.Secret.Key))
	} else {
		fmt.Fprintf(&b, "LoadCredential=kist.passphrase:%s\n", text(j.Secret.Passphrase))
	}
	b.WriteString("StateDirectory=kist\nStateDirectoryMode=0700\nNice=10\nIOSchedulingClass=idle\nUMask=0077\n")
	if j.Container {
		b.WriteString("# The container engine starts the container from here and needs the machine as it\n# is; what it starts must outlive this service.\nKillMode=process\n")
		return b.String()
	}
	if j.Runs {
		b.WriteString("# The commands need the machine as it is, and what they start must outlive this\n# service.\nKillMode=process\n")
		return b.String()
	}
	repository := j.Writes
	if j.Share != "" {
		repository = "-" + repository // it may be missing (systemd.exec(5))
	}
	writes := append([]string{repository}, j.Also...)
	if j.Tells != "" {
		writes = append(writes, filepath.Dir(j.Tells)) // beside it, to be moved into its place
	}
	fmt.Fprintf(&b, "ReadWritePaths=%s\n", joined(writes))
	b.WriteString(hardening)
	return b.String()
}

// hardening leaves a service that reads every file, writes to its
// ReadWritePaths, and has no network: a share is the kernel's business
// (systemd.exec(5)).
const hardening = `CacheDirectory=kist
ProtectSystem=strict
ProtectHome=read-only
PrivateDevices=yes
PrivateNetwork=yes
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
NoNewPrivileges=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
RestrictAddressFamilies=AF_UNIX
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
SystemCallArchitectures=native
CapabilityBoundingSet=CAP_DAC_OVERRIDE CAP_DAC_READ_SEARCH CAP_FOWNER
`
