package store_test

import (
	"encoding/json"
	"testing"

	"github.com/kistarchive/kist/store"
)

func TestHarmedJSON(t *testing.T) {
	for path, want := range map[string]string{
		"data/one":  `{"capture":"c","volume":"v","path":"data/one"}`,
		"":          `{"capture":"c","volume":"v","path":""}`,
		"caf\xe9":   `{"capture":"c","volume":"v","path":"caf\ufffd","path_bytes":"Y2Fm6Q=="}`,
		"caf\ufffd": "{\"capture\":\"c\",\"volume\":\"v\",\"path\":\"caf\ufffd\"}",
	} {
		got, err := json.Marshal([]store.Harmed{{Capture: "c", Volume: "v", Path: path}})
		if err != nil || string(got) != "["+want+"]" {
			t.Errorf("%q: %s, %v", path, got, err)
		}
	}
}
