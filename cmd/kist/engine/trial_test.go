package engine

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
)

func TestTrial(t *testing.T) {
	l := &Launch{
		Name: "seedbank", Image: "localhost/seedbank:4.1.0", Digest: "sha256:11",
		Mounts: []Mount{{Type: "volume", Name: "seeds", Destination: "/data", RW: true}, {Type: "bind", Source: "/run/engine.sock", Destination: "/sock", RW: true}},
		Config: json.RawMessage(`{"Env":["A=b","TERM=xterm"],"Labels":{"proxy.rule":"Host(x)"},"User":"7:7","StopTimeout":900,"Cmd":["--port","8420"],
			"Healthcheck":{"Test":["CMD-SHELL","ask me"]}}`),
		HostConfig: json.RawMessage(`{"RestartPolicy":{"Name":"always"},"PortBindings":{"8420/tcp":[{"HostIp":"","HostPort":"80"}]},
			"NetworkMode":"host","Dns":["10.0.0.1"],"DnsSearch":["x"],"ExtraHosts":["db:10.0.0.2"],"LogConfig":{"Type":"journald"},
			"Privileged":true,"Devices":[{"PathOnHost":"/dev/ttyUSB0","PathInContainer":"/dev/ttyUSB0"}],"PidMode":"host","IpcMode":"host","UTSMode":"host",
			"UsernsMode":"host","ReadonlyRootfs":true,"CapDrop":["ALL"],"Memory":1048576,"Tmpfs":{"/tmp":""}}`),
		Networks: json.RawMessage(`{"back":{}}`),
	}
	words, left := l.Trial("kist-rehearsal-1", []TrialMount{
		{Source: "/var/tmp/x/1", Destination: "/data"}, {Source: "/var/tmp/x/2", Destination: "/config", ReadOnly: true},
		{Source: "/etc/seedbank", Destination: "/etc/seedbank", Lent: true},
	}, "k=v")
	want := "create --pull=never --name kist-rehearsal-1 --label k=v --network=none --restart=no --stop-timeout=1 --user 7:7 --env A=b " +
		"--volume /var/tmp/x/1:/data:Z --volume /var/tmp/x/2:/config:ro,Z --volume /etc/seedbank:/etc/seedbank:ro --tmpfs /tmp " +
		"--read-only --cap-drop ALL --memory 1048576 --health-cmd ask me localhost/seedbank@sha256:11 --port 8420"
	if got := strings.Join(words, " "); got != want {
		t.Errorf("%s\nnot\n%s", got, want)
	}
	if want := []string{"--privileged", "--device /dev/ttyUSB0:/dev/ttyUSB0", "--pid host", "--ipc host", "--uts host", "--userns host"}; !slices.Equal(left, want) {
		t.Errorf("left out: %q, not %q", left, want)
	}
	l.HostConfig = json.RawMessage(`{"UsernsMode":"keep-id:uid=7"}`)
	if words, left := l.Trial("x", nil, "k=v"); !slices.Contains(words, "keep-id:uid=7") || left != nil {
		t.Errorf("%q, %q", words, left)
	}
}

// TestMappings: what had a user namespace of its own, in which its root was nobody on the machine, is made again in one, and is
// tried in one, also where it shared that of another container. Who keeps the user's id brings a mapping of his own.
func TestMappings(t *testing.T) {
	const mapped = `"IDMappings":{"UidMap":["0:100000:5000"],"GidMap":["0:200000:5000"]}`
	flags := []string{"--uidmap 0:100000:5000", "--gidmap 0:200000:5000"}
	for _, test := range []struct {
		host         string
		trial, again bool
	}{
		{`{"UsernsMode":"private",` + mapped + `}`, true, true},
		{`{` + mapped + `}`, true, true},
		{`{"UsernsMode":"container:c1",` + mapped + `}`, true, false},
		{`{"UsernsMode":"keep-id",` + mapped + `}`, false, false},
		{`{"UsernsMode":"host"}`, false, false},
		{`{"UsernsMode":"private","IDMappings":null}`, false, false},
	} {
		l := &Launch{Name: "seedbank", Image: "seedbank:4.1.0", HostConfig: json.RawMessage(test.host)}
		trial, _ := l.Trial("x", nil, "k=v")
		for _, c := range []struct {
			words []string
			want  bool
		}{{trial, test.trial}, {l.Remake("x", "seedbank:4.2.0", &Image{}, ""), test.again}, {l.Command(), test.again}} {
			text := strings.Join(c.words, " ")
			if c.want && !strings.Contains(text, strings.Join(flags, " ")) || !c.want && strings.Contains(text, "map ") {
				t.Errorf("%s: %s", test.host, text)
			}
		}
	}
}

// What looks secret in a command that failed is masked where the error tells it.
func TestErrorsMask(t *testing.T) {
	e := NewWith("engine", script{"create": "fail: out of order"})
	_, err := e.Create(t.Context(), []string{"create", "--env", "DB_PASSWORD=hush", "image"})
	if err == nil || strings.Contains(err.Error(), "hush") || !strings.Contains(err.Error(), "engine create --env DB_PASSWORD=****") {
		t.Error(err)
	}
}
