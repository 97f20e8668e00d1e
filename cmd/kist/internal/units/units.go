package units

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
)

// Job is what is done again and again. Words and paths may be any; paths are absolute.
type Job struct {
	Name       string // of its units
	What       string // for people
	When       string // as systemd.time(7) has it, one line
	Program    string
	Commands   [][]string // their words, without Program and what opens the repository
	Secret     Secret
	Reads      []string
	Repository string   // a folder or an address of a bucket
	Writes     string   // the folder of the repository; "": it is in a bucket
	Store      *Store   // what reaches an object store; nil: nothing lies in one
	Share      string   // where the share is mounted on which the repository lies, if the commands do something without it; "": else
	Also       []string // other folders that are written
	Patience   string   // with a repository that does not answer, as --give-up takes it
	Tells      string   // a file for metrics; "": none
	OnFailure  string   // a unit that CheckName takes; "": none
	Container  bool     // what is read is a container's, and its engine is needed
	Stops      bool     // the container or something else, for a while
	Runs       bool     // commands of the person's, which need the machine as it is
}

// Store says where the keys of an object store are. No key is in a unit or a line itself.
type Store struct {
	Keys      string   // a shared file with them, which becomes the credential kist.s3; "": the machine has a role
	Variables []string // NAME=VALUE of what else is said by the environment
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
	needs := slices.Concat(j.repository(""), j.Also, j.Reads)
	if j.Share != "" {
		needs = needs[1:]
		mount := mountUnit(j.Share)
		fmt.Fprintf(&b, "# Without the share captures wait on this machine.\nWants=%s\nAfter=%[1]s\n", mount)
	}
	if j.Store != nil {
		b.WriteString("Wants=network-online.target\nAfter=network-online.target\n")
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
	if j.Store != nil {
		j.Store.write(&b)
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
	may := ""
	if j.Share != "" {
		may = "-" // be missing (systemd.exec(5))
	}
	writes := append(j.repository(may), j.Also...)
	if j.Tells != "" {
		writes = append(writes, filepath.Dir(j.Tells)) // beside it, to be moved into its place
	}
	if len(writes) > 0 {
		fmt.Fprintf(&b, "ReadWritePaths=%s\n", joined(writes))
	}
	b.WriteString(hardening)
	if j.Store == nil {
		b.WriteString("PrivateNetwork=yes\nRestrictAddressFamilies=AF_UNIX\n")
	} else {
		b.WriteString("RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6\n")
	}
	return b.String()
}

// repository gives the folder of the repository, if it is in one, behind a prefix.
func (j *Job) repository(prefix string) []string {
	if j.Writes == "" {
		return nil
	}
	return []string{prefix + j.Writes}
}

// write gives what reaches an object store to a service.
func (s *Store) write(b *strings.Builder) {
	if s.Keys != "" {
		fmt.Fprintf(b, "LoadCredential=kist.s3:%s\n", text(s.Keys))
	}
	for _, variable := range s.Variables {
		fmt.Fprintf(b, "Environment=%s\n", joined([]string{variable}))
	}
}

// hardening leaves a service that reads every file and writes to its
// ReadWritePaths. It has no network either, where nothing lies in an object store: a
// share is the kernel's business (systemd.exec(5)).
const hardening = `CacheDirectory=kist
ProtectSystem=strict
ProtectHome=read-only
PrivateDevices=yes
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
NoNewPrivileges=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
SystemCallArchitectures=native
CapabilityBoundingSet=CAP_DAC_OVERRIDE CAP_DAC_READ_SEARCH CAP_FOWNER
`
