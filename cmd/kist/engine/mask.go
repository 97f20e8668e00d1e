package engine

import (
	"bytes"
	"encoding/json"
	"regexp"
	"slices"
	"strings"
)

// Masked stands for a value that is not shown.
const Masked = "****"

// MaskWords masks what looks secret in a command line: in each word, and what
// follows a flag of such a name.
func MaskWords(words []string) []string {
	masked := make([]string, len(words))
	for i, word := range words {
		masked[i] = maskText(word)
		if i > 0 && followsSecretFlag(words[i-1], word) {
			masked[i] = Masked
		}
	}
	return masked
}

// MaskLine is MaskWords for a line that is meant for a shell. Spaces in it do not all stay.
func MaskLine(line string) string { return strings.Join(MaskWords(strings.Fields(line)), " ") }

// MaskLabel masks the value of a label, all of it or what looks secret in it.
func MaskLabel(name, value string) string {
	if looksSecret(name) && isSecretValue(value) {
		return Masked
	}
	return maskValue(value)
}

// MaskJSON masks what looks secret in a launch configuration written as JSON: as
// MaskWords in lists, and the values of fields of such names. Text that is no JSON is
// masked whole.
func MaskJSON(text string) string {
	if masked, ok := maskJSON(text); ok {
		return masked
	}
	return Masked
}

func maskJSON(text string) (string, bool) {
	d := json.NewDecoder(strings.NewReader(text))
	d.UseNumber()
	var value any
	if d.Decode(&value) != nil || d.More() {
		return "", false
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if e.Encode(maskTree(value)) != nil {
		return "", false
	}
	return strings.TrimSuffix(b.String(), "\n"), true
}

func maskTree(value any) any {
	switch v := value.(type) {
	case string:
		return maskText(v)
	case map[string]any:
		for name, field := range v {
			if looksSecret(name) {
				field = maskSecret(field)
			}
			v[name] = maskTree(field)
		}
	case []any:
		for i := len(v) - 1; i >= 0; i-- { // so that the word before is unmasked still
			v[i] = maskElement(v, i)
		}
	}
	return value
}

// maskSecret masks the value of a field whose name looks secret: texts and numbers, and
// those in a list.
func maskSecret(value any) any {
	switch v := value.(type) {
	case string:
		if isSecretValue(v) {
			return Masked
		}
	case json.Number:
		return Masked
	case []any:
		for i := range v {
			v[i] = maskSecret(v[i])
		}
	}
	return value
}

func maskElement(list []any, i int) any {
	if i > 0 {
		before, _ := list[i-1].(string)
		if text, ok := list[i].(string); ok && followsSecretFlag(before, text) {
			return Masked
		}
	}
	return maskTree(list[i])
}

// harmless is what stands behind a -p that is a port or a path.
var harmless = regexp.MustCompile(`^([0-9.:\-\[\]]*(/tcp|/udp)?|[/.~].*)$`)

// followsSecretFlag tells whether a word is the secret that the flag before it takes.
func followsSecretFlag(before, word string) bool {
	switch {
	case !strings.HasPrefix(before, "-") || strings.Contains(before, "=") || strings.HasPrefix(word, "-"):
		return false
	case before == "-p":
		return !harmless.MatchString(word)
	}
	return looksSecret(before) && isSecretValue(word)
}

// What names are made of whose values look secret: common practice, no source.
var (
	// secretEndings end a word of a name, as KEY does API_KEY and APIKEY, and not KEYBOARD.
	secretEndings = []string{"PASS", "PASSWD", "PASSWORD", "PASSPHRASE", "PASSCODE", "PWD", "PW", "SECRET", "TOKEN", "KEY",
		"CREDENTIAL", "CRED", "AUTH", "AUTHORIZATION", "DSN", "SALT", "PEPPER"}
	// secretParts are anywhere in a word.
	secretParts = []string{"PASSWORD", "PASSWD", "PASSPHRASE", "SECRET", "CREDENTIAL"}
	// secretWords are whole words.
	secretWords = []string{"PRIVATE", "PSK", "JWT", "PIN", "COOKIE"}
	// folderVariables name the folder that a shell works in, or did.
	folderVariables = []string{"PWD", "OLDPWD"}
	// switches are no secrets, whatever they are called.
	switches = []string{"true", "false", "yes", "no", "on", "off"}
)

func isSecretValue(value string) bool {
	return value != "" && !slices.Contains(switches, strings.ToLower(value))
}

// looksSecret tells whether a variable, a flag or a field has a name as secrets do.
func looksSecret(name string) bool {
	if slices.Contains(folderVariables, name) {
		return false
	}
	return slices.ContainsFunc(nameWord.FindAllString(name, -1), func(word string) bool {
		word = strings.TrimRight(strings.ToUpper(word), "0123456789")
		one := strings.TrimSuffix(word, "S")
		in := func(test func(string, string) bool, what string) bool { return test(word, what) || test(one, what) }
		return slices.ContainsFunc(secretEndings, func(s string) bool { return in(strings.HasSuffix, s) }) ||
			slices.ContainsFunc(secretParts, func(s string) bool { return strings.Contains(word, s) }) ||
			slices.Contains(secretWords, word) || slices.Contains(secretWords, one)
	})
}

// nameWord is a word of a name: DB_PASSWORD, db-password and dbPassword have two.
var nameWord = regexp.MustCompile(`[A-Z]+[a-z]*[0-9]*|[a-z]+[0-9]*`)
