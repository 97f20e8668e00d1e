package objects

import "net/http"

// OpenOver is Open over what stands in for connections.
func OpenOver(options Options, instead http.RoundTripper) (*Storage, error) {
	return open(options, instead)
}
