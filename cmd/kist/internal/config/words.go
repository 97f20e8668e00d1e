package config

import (
	"maps"
	"reflect"
	"slices"
	"strconv"
)

// Flag is one that a table of the configuration gives, with its values: none for a flag that is
// true, several for one that may be given several times.
type Flag struct {
	Name   string
	Values []string
}

// Words gives the flag as words of a command line. Values are joined, since they may look like flags.
func (f Flag) Words() (words []string) {
	if f.Values == nil {
		return []string{"--" + f.Name}
	}
	for _, value := range f.Values {
		words = append(words, "--"+f.Name+"="+value)
	}
	return words
}

// FlagsOf gives the flags that a table gives, in the order of its fields. on-calendar is none of
// a command.
func FlagsOf(table any) (flags []Flag) {
	v := reflect.Indirect(reflect.ValueOf(table))
	for i := range v.NumField() {
		field, name := v.Field(i), v.Type().Field(i).Tag.Get("toml")
		if field.Kind() == reflect.Struct {
			flags = append(flags, FlagsOf(field.Interface())...)
			continue
		}
		if field.IsZero() || name == "on-calendar" {
			continue
		}
		flags = append(flags, Flag{name, valuesOf(field.Interface())})
	}
	return flags
}

func valuesOf(value any) []string {
	switch v := value.(type) {
	case string:
		return []string{v}
	case int:
		return []string{strconv.Itoa(v)}
	case []string:
		return v
	case map[string]string:
		var pairs []string
		for _, key := range slices.Sorted(maps.Keys(v)) {
			pairs = append(pairs, key+"="+v[key])
		}
		return pairs
	}
	return nil // true
}

// keysOf gives the keys that a table may have, by the type that is read into.
func keysOf(t reflect.Type, path []string) (keys []string) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() == reflect.Map {
		if len(path) == 0 {
			return nil // any key
		}
		return keysOf(t.Elem(), path[1:])
	}
	if t.Kind() != reflect.Struct {
		return nil
	}
	for f := range fieldsOf(t) {
		name := f.Tag.Get("toml")
		if len(path) == 0 {
			keys = append(keys, name)
		} else if name == path[0] {
			return keysOf(f.Type, path[1:])
		}
	}
	return keys
}

// fieldsOf gives the fields of a table, those of embedded ones among them.
func fieldsOf(t reflect.Type) func(func(reflect.StructField) bool) {
	return func(yield func(reflect.StructField) bool) {
		for _, f := range reflect.VisibleFields(t) {
			if !f.Anonymous && !yield(f) {
				return
			}
		}
	}
}

// KeysOf gives all keys that a table has, those of tables in it by a dotted name.
func KeysOf(table any) (keys []Flag) {
	v := reflect.Indirect(reflect.ValueOf(table))
	if !v.IsValid() {
		return nil
	}
	for f := range fieldsOf(v.Type()) {
		field, name := v.FieldByIndex(f.Index), f.Tag.Get("toml")
		switch {
		case field.IsZero():
		case field.Kind() == reflect.Pointer:
			for _, key := range KeysOf(field.Interface()) {
				keys = append(keys, Flag{name + "." + key.Name, key.Values})
			}
		default:
			keys = append(keys, Flag{name, valuesOf(field.Interface())})
		}
	}
	return keys
}
