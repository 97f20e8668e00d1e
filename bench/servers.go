package main

import "strconv"

// server says how a server is run that keeps its data in a folder. In the
// arguments {data} stands for that folder, {run} for one of its socket, {size}
// for a number that grows with the data.
type server struct {
	title string
	user  string                 // that runs it where we are root, as it refuses root
	path  string                 // folder of the programs; "" where they are in PATH
	setup []string               // before the first start
	run   []string               // in the foreground; it stops cleanly when interrupted
	ready []string               // succeeds once the server answers
	load  []string               // makes the first state
	alter []string               // makes the next one
	feed  func(f feed) error     // writes what load and alter read; nil: nothing
	whole []string               // succeeds where the folder of a stopped server is whole
	ask   []string               // prints what tells one state from the others
	want  func(state int) string // what ask is to print
	unit  int64                  // bytes of data for one {size}, about
	most  float64                // the goal: stored, of every tarball alone
	alike float64                // the same with deltas
}

// commands is the one place that names programs of others.
var commands = struct {
	embedded string
	servers  map[string]server
}{
	embedded: "sqlite3",
	servers: map[string]server{
		"relational": {
			title: "relational server",
			user:  "postgres",
			path:  "/usr/lib/postgresql/15/bin",
			setup: []string{"initdb", "-D", "{data}", "-U", "catalogue", "-A", "trust", "--data-checksums", "--no-sync"},
			run:   []string{"postgres", "-D", "{data}", "-k", "{run}", "-c", "listen_addresses=", "-c", "max_wal_size=128MB"},
			ready: []string{"pg_isready", "-q", "-h", "{run}", "-U", "catalogue"},
			load:  []string{"pgbench", "-h", "{run}", "-U", "catalogue", "-i", "-q", "-s", "{size}", "postgres"},
			alter: []string{"pgbench", "-h", "{run}", "-U", "catalogue", "-n", "-c", "2", "-t", "2000", "--random-seed=1", "postgres"},
			whole: []string{"pg_checksums", "--check", "-D", "{data}"},
			ask:   []string{"psql", "-h", "{run}", "-U", "catalogue", "-At", "-c", "SELECT count(*) FROM pgbench_history", "postgres"},
			want:  func(state int) string { return strconv.Itoa(2 * 2000 * (state - 1)) }, // clients, transactions
			unit:  15 << 20,
			most:  0.41,
			alike: 0.25,
		},
		"keyvalue": keyValue("key-value server", 0.14,
			[]string{"redis-check-aof", "{data}/appendonlydir/appendonly.aof.manifest"},
			"--appendonly", "yes", "--save", ""),
		// No goal: at each start the server draws the order anew in which it
		// dumps its values, so that nothing smaller than a value is found again.
		"keyvalue-dump": keyValue("key-value server that dumps all values when it stops", 0,
			[]string{"redis-check-rdb", "{data}/dump.rdb"},
			"--save", "3600 1"),
	},
}

// keyValue gives the key-value server with one of its ways of keeping data.
func keyValue(title string, most float64, whole []string, keep ...string) server {
	client := func(args ...string) []string { return append([]string{"redis-cli", "-s", "{run}/socket"}, args...) }
	return server{
		title: title,
		run:   append([]string{"redis-server", "--port", "0", "--unixsocket", "{run}/socket", "--dir", "{data}"}, keep...),
		ready: client("-e", "ping"),
		load:  client("--pipe"),
		alter: client("--pipe"),
		feed:  writeSettings,
		whole: whole,
		ask:   client("-e", "get", "state"),
		want:  strconv.Itoa,
		unit:  1 << 20,
		most:  most,
		alike: most, // each value is there once
	}
}
