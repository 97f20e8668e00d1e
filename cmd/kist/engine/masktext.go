package engine

import (
	"regexp"
	"strings"
)

// variable is NAME=VALUE, or --name=VALUE.
var variable = regexp.MustCompile(`^(-{0,2}[A-Za-z_][\w.\-]*)=`)

// maskText masks what looks secret in a word: the value of NAME=VALUE where the name
// does, and else what does within it.
func maskText(text string) string {
	at := variable.FindStringSubmatchIndex(text)
	if at == nil {
		return maskValue(text)
	}
	name, value := text[:at[3]], text[at[1]:]
	switch {
	case looksSecret(name) && isSecretValue(value):
		value = Masked
	case strings.HasPrefix(name, "-"):
		value = maskText(value) // --env=NAME=VALUE
	default:
		value = maskValue(value)
	}
	return name + "=" + value
}

// maskValue masks what looks secret within a text.
func maskValue(text string) string {
	if strings.Contains(text, "PRIVATE KEY-----") { // RFC 7468, sections 10 and 11
		return Masked
	}
	if trimmed := strings.TrimSpace(text); strings.HasPrefix(trimmed, "{") || strings.HasPrefix(trimmed, "[") {
		if masked, ok := maskJSON(trimmed); ok {
			return masked
		}
	}
	text = maskURLs(text)
	text = maskLogins(text)
	text = bearer.ReplaceAllString(text, "${1}"+Masked)
	text = maskBehind(text, flagInText, wordLength)
	return maskBehind(text, pairInText, pairLength)
}

// bearer is a token of RFC 6750, section 2.1.
var bearer = regexp.MustCompile(`((?i:\bbearer)[ \t]+)[A-Za-z0-9\-._~+/]{8,}=*`)

// maskURLs masks passwords in URLs (RFC 3986, section 3.2.1): what is between the first
// colon of the authority and its last @. A password that should have been encoded, and
// was not, may end the authority too soon.
func maskURLs(text string) string {
	var b strings.Builder
	for {
		start := strings.Index(text, "://")
		if start < 0 {
			b.WriteString(text)
			return b.String()
		}
		b.WriteString(text[:start+3])
		text = text[start+3:]
		if from, to := urlPassword(text); from < to {
			b.WriteString(text[:from] + Masked)
			text = text[to:]
		}
	}
}

// urlPassword gives where a password is in what follows the :// of a URL, at whose @ it
// ends.
func urlPassword(text string) (from, to int) {
	run := text[:lengthUntil(text, " \t\r\n\"'")]
	authority := run[:lengthUntil(run, "/?#")]
	from = strings.IndexByte(authority, ':') + 1
	if from == 0 {
		return 0, 0
	}
	if to = strings.LastIndexByte(authority, '@'); to >= 0 {
		return from, to
	}
	port := authority[strings.LastIndexByte(authority, ':')+1:]
	isPort := strings.Trim(port, "0123456789") == "" && (len(authority) == len(run) || run[len(authority)] == '/')
	if to = strings.LastIndexByte(run, '@'); isPort || to < 0 {
		return 0, 0
	}
	return from, to
}

// login is user:password@ without a scheme, as in some connection strings.
var login = regexp.MustCompile(`(^|[\s"'=,;(])([A-Za-z_][\w.+\-]*):([^\s"']+)@(\w*:?)`)

// digest is what follows the @ of an image that is pinned (OCI image specification,
// descriptor, "Digests").
var digest = regexp.MustCompile(`^sha[0-9]+:$`)

func maskLogins(text string) string {
	return login.ReplaceAllStringFunc(text, func(found string) string {
		part := login.FindStringSubmatch(found)
		if strings.HasPrefix(part[3], "//") || digest.MatchString(part[4]) || part[2] == "mailto" {
			return found // a URL; an image; an address
		}
		return part[1] + part[2] + ":" + Masked + "@" + part[4]
	})
}

var (
	// flagInText is a flag and the space behind it, in a command line that is one word.
	flagInText = regexp.MustCompile(`(?:^|\s)--?([A-Za-z][\w\-]*)([ \t]+)`)
	// pairInText is the name of a pair, and what is between it and the value: = or, as in
	// YAML, JSON and headers, a colon.
	pairInText = regexp.MustCompile(`([A-Za-z_][\w.\-]*)([ \t]*=[ \t]*|["'][ \t]*:[ \t]*|:[ \t]+)`)
)

// maskBehind masks what stands behind names that look secret. name finds a name, and
// what separates it from the value; length gives how long the value is at the begin of
// rest, which is the end of text.
func maskBehind(text string, name *regexp.Regexp, length func(text, separator, rest string) int) string {
	var b strings.Builder
	rest := text
	for {
		at := name.FindStringSubmatchIndex(rest)
		if at == nil {
			b.WriteString(rest)
			return b.String()
		}
		found, separator := rest[at[2]:at[3]], rest[at[4]:at[5]]
		b.WriteString(rest[:at[1]])
		rest = rest[at[1]:]
		if n := length(text, separator, rest); looksSecret(found) && isSecretValue(rest[:n]) {
			b.WriteString(Masked)
			rest = rest[n:]
		}
	}
}

// wordLength gives the length of a word of a command line; a flag is none.
func wordLength(_, _, rest string) int {
	if strings.HasPrefix(rest, "-") {
		return 0
	}
	if n := quotedLength(rest); n > 0 {
		return n
	}
	return lengthUntil(rest, " \t\r\n")
}

// pairLength gives the length of the value of a pair.
func pairLength(text, separator, rest string) int {
	if n := quotedLength(rest); n > 0 {
		return n
	}
	end := " \t\r\n&"
	switch {
	case strings.Trim(separator, " \t") == ":":
		end = "\r\n"
	case strings.Contains(separator, ":"): // a name in quotes
		end = ",}]\r\n"
	case strings.Contains(text, ";"): // pairs that are separated so
		end = ";\r\n"
	}
	return len(strings.TrimRight(rest[:lengthUntil(rest, end)], " \t"))
}

// quotedLength gives the length of what is in quotes at the begin of a text, with
// them; it is all if they do not end.
func quotedLength(text string) int {
	if text == "" || text[0] != '"' && text[0] != '\'' {
		return 0
	}
	for i := 1; i < len(text); i++ {
		switch text[i] {
		case '\\':
			i++
		case text[0]:
			return i + 1
		}
	}
	return len(text)
}

// lengthUntil gives the length of what stands before any of some characters.
func lengthUntil(text, chars string) int {
	if n := strings.IndexAny(text, chars); n >= 0 {
		return n
	}
	return len(text)
}

// MaskLines masks what looks secret in lines of text, as a program prints them: in each, and private keys that take several.
func MaskLines(lines []string) []string {
	masked := make([]string, len(lines))
	within := false
	for i, line := range lines {
		if masked[i] = maskValue(line); within {
			masked[i] = Masked
		}
		if strings.Contains(line, "PRIVATE KEY-----") { // RFC 7468, sections 10 and 11
			within = !strings.Contains(line, "-----END ")
		}
	}
	return masked
}
