package objects_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage/objects"
)

func TestParseAddress(t *testing.T) {
	for text, want := range map[string]objects.Address{
		"s3://seeds":                  {Bucket: "seeds"},
		"s3://seeds/":                 {Bucket: "seeds"},
		"S3://seeds/hazel":            {Bucket: "seeds", Prefix: "hazel"},
		"s3://seeds.example/a/b/":     {Bucket: "seeds.example", Prefix: "a/b"},
		"s3://seeds/k%C3%BCrbis%3F":   {Bucket: "seeds", Prefix: "kürbis?"},
		"s3://seeds/a?region=eu-west": {Bucket: "seeds", Prefix: "a", Region: "eu-west"},
		"s3://seeds/a?endpoint=https://hazel:9000&region=home": {Bucket: "seeds", Prefix: "a", Endpoint: "https://hazel:9000", Region: "home"},
		"s3://seeds/a?endpoint=http%3A%2F%2F127.0.0.1:9000/":   {Bucket: "seeds", Prefix: "a", Endpoint: "http://127.0.0.1:9000"},
		"s3://seeds/a?endpoint=http://[::1]:9000":              {Bucket: "seeds", Prefix: "a", Endpoint: "http://[::1]:9000"},
		"s3://seeds/" + strings.Repeat("p", 512):               {Bucket: "seeds", Prefix: strings.Repeat("p", 512)},
		"s3://123/a b":                                         {Bucket: "123", Prefix: "a b"},
	} {
		got, err := objects.ParseAddress(text)
		if err != nil || got != want {
			t.Errorf("%s: %+v, %v; want %+v", text, got, err, want)
			continue
		}
		if again, err := objects.ParseAddress(got.String()); err != nil || again != got {
			t.Errorf("%s: given as %s, which is %+v, %v", text, got, again, err)
		}
	}
}

func TestBadAddresses(t *testing.T) {
	const secret = "hunter2"
	for _, text := range []string{
		"", "seeds", "/srv/kist", "s3:", "s3:seeds/a", "s3://", "s3:///a", "https://seeds/a", "s3://se", "s3://Seeds/a", "s3://se_eds/a", "s3://-seeds", "s3://se..eds",
		"s3://" + strings.Repeat("b", 64), "s3://seeds:9000/a", "s3://seeds//a", "s3://seeds/a//b", "s3://seeds/a/../b", "s3://seeds/./a", "s3://seeds/a%00b", "s3://seeds/a%0Ab",
		"s3://seeds/%ff", "s3://seeds/a\\b", "s3://seeds/" + strings.Repeat("p", 513), "s3://seeds/a#b", "s3://seeds/a#", "s3://seeds/%zz" + secret,
		"s3://key:" + secret + "@seeds/a", "s3://" + secret + "@seeds/a", "s3://seeds/a?secret=" + secret, "s3://seeds/a?region=" + secret + "&region=x", "s3://seeds/a?region=", "s3://seeds/a?region=a/" + secret,
		"s3://seeds/a?endpoint=hazel:9000", "s3://seeds/a?endpoint=ftp://hazel", "s3://seeds/a?endpoint=https://", "s3://seeds/a?endpoint=https://key:" + secret + "@hazel", "s3://seeds/a?endpoint=https://hazel/path",
		"s3://seeds/a?endpoint=https://hazel?a=" + secret, "s3://seeds/a?end;point=" + secret, "s3://seeds/a?%zz=" + secret,
	} {
		_, err := objects.ParseAddress(text)
		if !errors.Is(err, objects.ErrBadAddress) {
			t.Errorf("%q: %v, want ErrBadAddress", text, err)
		} else if strings.Contains(err.Error(), secret) {
			t.Errorf("%q: what may be a secret is in the error: %v", text, err)
		}
	}
}

// TestAmpersandForQuestionMark: what would be a prefix that nobody means is told to be a slip.
func TestAmpersandForQuestionMark(t *testing.T) {
	for text, slip := range map[string]bool{
		"s3://seeds/hazel&endpoint=https://hazel:9000": true, "s3://seeds/hazel&region=home?endpoint=https://hazel:9000": true, "s3://seeds/hazel&region=home": true,
		"s3://seeds/rye&barley?region=home": false, "s3://seeds/hazel?endpoint=https://hazel:9000&region=home": false,
	} {
		if _, err := objects.ParseAddress(text); (err != nil) != slip || slip && !strings.Contains(err.Error(), "a question mark, and not &, stands before") {
			t.Errorf("%s: %v", text, err)
		}
	}
}

func TestIsAddress(t *testing.T) {
	for text, want := range map[string]bool{"s3://seeds": true, "S3://SEEDS/": true, "s3://": true, "s3:/seeds": false, "./s3://seeds": false, "/srv": false, "": false} {
		if objects.IsAddress(text) != want {
			t.Errorf("%q: not %v", text, want)
		}
	}
}

func TestAddressWithEnvironment(t *testing.T) {
	for _, test := range []struct {
		address, env, want string
	}{
		{"s3://seeds/a", "", "s3://seeds/a"},
		{"s3://seeds/a", "AWS_ENDPOINT_URL=http://all AWS_DEFAULT_REGION=home", "s3://seeds/a?endpoint=http://all&region=home"},
		{"s3://seeds/a", "AWS_ENDPOINT_URL=http://all AWS_ENDPOINT_URL_S3=https://s3/ AWS_REGION=here AWS_DEFAULT_REGION=home", "s3://seeds/a?endpoint=https://s3&region=here"},
		{"s3://seeds/a", "AWS_ENDPOINT_URL_S3=https://s3 AWS_IGNORE_CONFIGURED_ENDPOINT_URLS=true", "s3://seeds/a"},
		{"s3://seeds/a?endpoint=http://own&region=own", "AWS_ENDPOINT_URL_S3=https://s3 AWS_REGION=here", "s3://seeds/a?endpoint=http://own&region=own"},
	} {
		a, err := objects.ParseAddress(test.address)
		if err != nil {
			t.Fatal(err)
		}
		got, err := a.WithEnvironment(environment(test.env))
		if err != nil || got.String() != test.want {
			t.Errorf("%s with %q: %v, %v; want %s", test.address, test.env, got, err, test.want)
		}
	}
	if _, err := (objects.Address{Bucket: "seeds"}).WithEnvironment(environment("AWS_ENDPOINT_URL=hazel:9000")); !errors.Is(err, objects.ErrBadAddress) || !strings.Contains(err.Error(), "AWS_ENDPOINT_URL,") {
		t.Errorf("an endpoint without a scheme: %v", err)
	}
	if _, err := (objects.Address{Bucket: "S"}).WithEnvironment(environment("")); !errors.Is(err, objects.ErrBadAddress) || strings.Contains(err.Error(), "environment") {
		t.Errorf("a wrong bucket: %v", err)
	}
}

// environment gives the variables of a text of words NAME=VALUE.
func environment(words string) func(string) string {
	vars := map[string]string{}
	for _, word := range strings.Fields(words) {
		name, value, _ := strings.Cut(word, "=")
		vars[name] = value
	}
	return func(name string) string { return vars[name] }
}

func FuzzParseAddress(f *testing.F) {
	for _, seed := range []string{"s3://seeds/a/b?endpoint=https://hazel:9000&region=home", "s3://seeds", "s3://seeds/%C3%BC%3F%23%25", "s3://a:b@seeds/", "s3://seeds/a?endpoint=http://[::1]:1"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		a, err := objects.ParseAddress(text)
		if err != nil {
			if !errors.Is(err, objects.ErrBadAddress) {
				t.Fatalf("%q: %v", text, err)
			}
			return
		}
		again, err := objects.ParseAddress(a.String())
		if err != nil || again != a {
			t.Fatalf("%q is %+v, given as %q, which is %+v, %v", text, a, fmt.Sprint(a), again, err)
		}
	})
}

// TestRegions: without an endpoint a region's own host is taken, or none. (Amazon S3 endpoints and quotas, "Service endpoints".)
func TestRegions(t *testing.T) {
	for region, known := range map[string]bool{"us-east-1": true, "eu-central-1": true, "cn-north-1": true, "eu-west": false, "eu-central-11": false, "home": false} {
		for _, bucket := range []string{"seeds", "seeds.example"} {
			s, err := objects.Open(t.Context(), objects.Options{Address: objects.Address{Bucket: bucket, Region: region}, Credentials: objects.StaticKeys{AccessKey: "a", SecretKey: "b"}})
			if (err == nil) != known || err != nil && (!errors.Is(err, objects.ErrBadAddress) || !strings.Contains(err.Error(), region)) {
				t.Errorf("%s: %v", region, err)
			}
			if err == nil {
				s.Close()
			}
		}
	}
}
