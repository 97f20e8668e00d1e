package main

import (
	"bufio"
	"context"
	"os"
	"runtime"
	"strconv"
	"strings"
	"time"
)

// machine says where a measurement ran. What the system does not tell is empty.
type machine struct {
	Date      time.Time `json:"date"`
	Processor string    `json:"processor"`
	Cores     int       `json:"cores"`
	Memory    int64     `json:"memory_bytes"`
	DiskFree  int64     `json:"disk_free_bytes"`
	System    string    `json:"system"`
	Load      string    `json:"load"` // of the last 1, 5 and 15 minutes, before the run
	Go        string    `json:"go"`
	Zstd      string    `json:"zstd"`
}

func describeMachine(ctx context.Context, dir string) machine {
	memory, _ := strconv.ParseInt(strings.TrimSuffix(field("/proc/meminfo", "MemTotal"), " kB"), 10, 64)
	m := machine{
		Date:      time.Now().UTC().Truncate(time.Second),
		Processor: field("/proc/cpuinfo", "model name"),
		Cores:     runtime.NumCPU(),
		Memory:    memory << 10,
		DiskFree:  diskFree(dir),
		System:    runtime.GOOS + "/" + runtime.GOARCH,
		Go:        runtime.Version(),
		Zstd:      says(ctx, "zstd", "--version"),
	}
	if kernel := says(ctx, "uname", "-sr"); kernel != "" {
		m.System += ", " + kernel
	}
	if b, err := os.ReadFile("/proc/loadavg"); err == nil {
		m.Load = strings.Join(strings.Fields(string(b))[:3], " ")
	}
	return m
}

// field gives the first value of that name in a file of lines "name : value".
func field(path, name string) string {
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		key, value, ok := strings.Cut(s.Text(), ":")
		if ok && strings.TrimSpace(key) == name {
			return strings.TrimSpace(value)
		}
	}
	return ""
}

// says gives what a program answers, and nothing where it is missing.
func says(ctx context.Context, args ...string) string {
	b, err := output(ctx, command{args: args})
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

func (m machine) table() table {
	t := table{title: "Machine, " + m.Date.Format(time.DateOnly)}
	for _, row := range [][2]string{
		{"processor", m.Processor}, {"cores", count(m.Cores)}, {"memory", count(m.Memory)},
		{"disk free", count(m.DiskFree)}, {"system", m.System}, {"load before", m.Load},
		{"go", m.Go}, {"zstd", m.Zstd},
	} {
		t.add(row[0], row[1])
	}
	return t
}
