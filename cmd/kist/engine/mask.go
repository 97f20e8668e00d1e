package engine

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"
)

// Masked stands for a value that is not shown.
const Masked = "****"

// secretWords are parts of names whose values look secret: common practice, no
// source.
var secretWords = []string{"PASS", "PWD", "SECRET", "TOKEN", "KEY", "CREDENTIAL", "AUTH", "PRIVATE", "SALT"}

func looksSecret(name string) bool {
	name = strings.ToUpper(name)
	return name != "PWD" && slices.ContainsFunc(secretWords, func(word string) bool { return strings.Contains(name, word) })
}

// userInfo is a password in a URL (RFC 3986, section 3.2.1).
var userInfo = regexp.MustCompile(`(://[^/@:\s]*:)[^/@\s]+@`)

// maskText masks the value of NAME=VALUE where the name looks secret, and
// passwords in URLs.
func maskText(text string) string {
	name, value, ok := strings.Cut(text, "=")
	if ok && value != "" && looksSecret(name) {
		return name + "=" + Masked
	}
	return userInfo.ReplaceAllString(text, "${1}"+Masked+"@")
}

// MaskWords masks what looks secret in a command line: NAME=VALUE, and what
// follows a flag of such a name.
func MaskWords(words []string) []string {
	masked := make([]string, len(words))
	for i, word := range words {
		masked[i] = maskText(word)
		if i > 0 && isSecretFlag(words[i-1]) && !strings.HasPrefix(word, "-") {
			masked[i] = Masked
		}
	}
	return masked
}

func isSecretFlag(word string) bool {
	return strings.HasPrefix(word, "-") && !strings.Contains(word, "=") && looksSecret(word)
}

// MaskJSON masks what looks secret in a launch configuration written as JSON:
// as MaskWords in lists, and the values of fields of such names. Text that is no
// JSON is masked whole.
func MaskJSON(text string) string {
	var value any
	if json.Unmarshal([]byte(text), &value) != nil {
		return Masked
	}
	b, err := json.Marshal(maskValue(value))
	if err != nil {
		return Masked
	}
	return string(b)
}

func maskValue(value any) any {
	switch v := value.(type) {
	case string:
		return maskText(v)
	case map[string]any:
		for name, field := range v {
			if text, ok := field.(string); ok && text != "" && looksSecret(name) {
				v[name] = Masked
			} else {
				v[name] = maskValue(field)
			}
		}
	case []any:
		for i := len(v) - 1; i >= 0; i-- { // so that the word before is unmasked still
			v[i] = maskElement(v, i)
		}
	}
	return value
}

func maskElement(list []any, i int) any {
	if i > 0 {
		before, _ := list[i-1].(string)
		if text, ok := list[i].(string); ok && isSecretFlag(before) && !strings.HasPrefix(text, "-") {
			return Masked
		}
	}
	return maskValue(list[i])
}
