package files

import (
	"encoding/base64"
	"encoding/json"
	"io"
	"reflect"
	"strings"
	"unicode/utf8"
)

// exactMark begins strings that are written in base64. No path, command or name holds a NUL, so that an
// earlier release which takes such a string as it is fails by it, and harms nothing.
const exactMark = "\x00"

// MarshalExact is json.Marshal for what is read back by [UnmarshalExact]: the bytes of all strings stay, map keys too,
// also of those that are not UTF-8, which JSON can't hold. It is for data: types that write their JSON themselves,
// and what is behind pointers within v, are written as json.Marshal does.
func MarshalExact(v any) ([]byte, error) {
	return json.Marshal(mapStrings(reflect.ValueOf(v), toExact).Interface())
}

// EncodeExact writes a value by [MarshalExact], as a line.
func EncodeExact(w io.Writer, v any) error {
	b, err := MarshalExact(v)
	if err != nil {
		return err
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

// UnmarshalExact reads what MarshalExact wrote, or json.Marshal, into what v points to.
func UnmarshalExact(b []byte, v any) error {
	if err := json.Unmarshal(b, v); err != nil {
		return err
	}
	into := reflect.ValueOf(v).Elem()
	into.Set(mapStrings(into, fromExact))
	return nil
}

func toExact(s string) string {
	if utf8.ValidString(s) && !strings.HasPrefix(s, exactMark) {
		return s
	}
	return exactMark + base64.StdEncoding.EncodeToString([]byte(s))
}

func fromExact(s string) string {
	if coded, ok := strings.CutPrefix(s, exactMark); ok {
		if b, err := base64.StdEncoding.DecodeString(coded); err == nil {
			return string(b)
		}
	}
	return s
}

// mapStrings gives a copy of a value in which each string was put through a function.
func mapStrings(v reflect.Value, through func(string) string) reflect.Value {
	to := reflect.New(v.Type()).Elem()
	to.Set(v)
	switch v.Kind() {
	case reflect.String:
		to.SetString(through(v.String()))
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				to.Field(i).Set(mapStrings(v.Field(i), through))
			}
		}
	case reflect.Slice:
		if v.IsNil() {
			break
		}
		to.Set(reflect.MakeSlice(v.Type(), v.Len(), v.Len()))
		for i := range v.Len() {
			to.Index(i).Set(mapStrings(v.Index(i), through))
		}
	case reflect.Map:
		if v.IsNil() {
			break
		}
		to.Set(reflect.MakeMapWithSize(v.Type(), v.Len()))
		for key, value := range v.Seq2() {
			to.SetMapIndex(mapStrings(key, through), mapStrings(value, through))
		}
	}
	return to
}
