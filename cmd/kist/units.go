package main

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// unit gives the name of a unit (systemd.unit(5) has the characters).
func (p *plan) unit(kind string) string {
	name := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("_.-", r) {
			return r
		}
		return '-'
	}, p.name)
	const most = 200
	return "kist-" + name[:min(len(name), most)] + "." + kind
}

func (p *plan) timer() string {
	return fmt.Sprintf(`[Unit]
Description=%s regularly

[Timer]
OnCalendar=%s
Persistent=yes

[Install]
WantedBy=timers.target
`, unitText(p.what), unitText(p.when))
}

func (p *plan) service() string {
	var b strings.Builder
	fmt.Fprintf(&b, "[Unit]\nDescription=%s\n", unitText(p.what))
	fmt.Fprintf(&b, "RequiresMountsFor=%s\n", unitWords(append([]string{p.writes}, p.reads...)))
	b.WriteString("\n[Service]\nType=oneshot\n")
	for _, words := range p.commands {
		fmt.Fprintf(&b, "ExecStart=%s\n", unitCommand(append([]string{p.program}, words...)))
	}
	if p.stops {
		fmt.Fprintf(&b, "ExecStopPost=%s\n", unitCommand([]string{p.program, "resume"}))
	}
	if p.secret.Key != "" {
		fmt.Fprintf(&b, "LoadCredential=kist.key:%s\nEnvironment=KIST_KEY_FILE=%%d/kist.key\n", unitText(p.secret.Key))
	} else {
		fmt.Fprintf(&b, "LoadCredential=kist.passphrase:%s\n", unitText(p.secret.Passphrase))
	}
	b.WriteString("StateDirectory=kist\nStateDirectoryMode=0700\nNice=10\nIOSchedulingClass=idle\nUMask=0077\n")
	if p.container {
		b.WriteString("# The container engine starts the container from here and needs the machine as it\n# is; what it starts must outlive this service.\nKillMode=process\n")
		return b.String()
	}
	fmt.Fprintf(&b, "ReadWritePaths=%s\n", unitWords([]string{p.writes}))
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

// unitText escapes a value: specifiers begin with % (systemd.unit(5)), and a
// line break or a backslash at its end would change the line. It has no escapes for what
// would not show.
func unitText(s string) string {
	s = strings.Map(func(r rune) rune {
		if !screen.Visible(r) {
			return ' '
		}
		return r
	}, s)
	return strings.ReplaceAll(strings.TrimRight(s, `\`), "%", "%%")
}

// unitWords quotes words (systemd.syntax(7), "Quoting").
func unitWords(words []string) string {
	quoted := make([]string, len(words))
	for i, word := range words {
		quoted[i] = unitQuote(word)
	}
	return strings.Join(quoted, " ")
}

// unitCommand quotes a command line, in which $ stands for variables too
// (systemd.service(5), "Command lines").
func unitCommand(words []string) string {
	return strings.ReplaceAll(unitWords(words), "$", "$$")
}

func unitQuote(word string) string {
	var b strings.Builder
	plain := word != ""
	for at := 0; at < len(word); {
		r, n := utf8.DecodeRuneInString(word[at:])
		part := word[at : at+n]
		switch {
		case r == '"' || r == '\\':
			b.WriteString(`\` + part)
			plain = false
		case !screen.IsVisible(part):
			for _, c := range []byte(part) {
				fmt.Fprintf(&b, `\x%02x`, c)
			}
			plain = false
		default:
			b.WriteString(part)
			plain = plain && !strings.ContainsRune(" ';", r)
		}
		at += n
	}
	text := strings.ReplaceAll(b.String(), "%", "%%")
	if plain {
		return text
	}
	return `"` + text + `"`
}
