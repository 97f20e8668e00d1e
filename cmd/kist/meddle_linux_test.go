package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// meddlerUser is another user: that of the service whose folders are captured and restored.
const meddlerUser = 64321

// meddled is a stage for restores and captures by root beside a process of another user, to whom all
// belongs but the baits:
//
//	root/      root's folders, which links lead to
//	srv/data   the service's, in a folder of root's
//	home/data  the service's, in a folder of the service, where two baits lie as well
//	mnt        the service's, a mount point
type meddled struct {
	*bench
	meddler *exec.Cmd
	near    map[string]*os.File // the baits in home
	want    map[string]string   // by path below the stage
	done    map[string]int
}

func (m *meddled) at(parts ...string) string {
	return m.path(append([]string{"stage"}, parts...)...)
}

func newMeddled(t *testing.T) *meddled {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	m := &meddled{bench: newFakeContainer(t), near: make(map[string]*os.File), want: make(map[string]string), done: make(map[string]int)}
	for dir := m.dir; dir != os.TempDir() && len(dir) > 1; dir = filepath.Dir(dir) {
		must(t, os.Chmod(dir, 0o755))
	}
	for _, dir := range []string{"", "root", "root/open", "root/cron.d", "srv", "home", "mnt"} {
		must(t, os.Mkdir(m.at(dir), 0o755))
	}
	for _, dir := range []string{"root/etc", "root/spool"} {
		must(t, os.Mkdir(m.at(dir), 0o700))
	}
	for _, name := range []string{"bait", "empty"} {
		m.layNear(name)
	}
	must(t, os.WriteFile(m.at("root", "etc", "shadow"), []byte("BAIT"), 0o600))
	must(t, os.WriteFile(m.at("root", "open", "passwd"), []byte("BAIT"), 0o644))
	must(t, os.WriteFile(m.at("home", "bait", "shadow"), []byte("near"), 0o600))
	if err := unix.Mount("none", m.at("mnt"), "tmpfs", 0, "size=16m"); err != nil {
		t.Skip(err)
	}
	t.Cleanup(func() { unix.Unmount(m.at("mnt"), unix.MNT_DETACH) })
	must(t, os.Chown(m.at("home"), meddlerUser, meddlerUser))
	about := fmt.Sprintf(`{"Image":"image","ImageName":"seedbank:4.1.0","Mounts":[{"Type":"bind","Source":%q,"Destination":"/data","RW":true}]}`, m.at("home", "data"))
	must(t, os.WriteFile(m.path("engine", "seedbank.json"), []byte(about), 0o600))
	must(t, os.Remove(m.path("engine", "seedbank.running")))
	m.fill()
	m.must("capture", "--name", "one", m.at("srv", "data"))
	m.must("capture", "--name", "two", m.at("srv", "data"), m.at("home", "data"))
	m.must("capture", "--name", "box", "--container", "seedbank")
	m.want = m.look()
	return m
}

// layNear lays a bait into home.
func (m *meddled) layNear(name string) {
	m.t.Helper()
	must(m.t, os.Mkdir(m.at("home", name), 0o700))
	f, err := os.Open(m.at("home", name))
	must(m.t, err)
	m.t.Cleanup(func() { f.Close() })
	m.near[name] = f
}

// fill lays out what is the service's.
func (m *meddled) fill() {
	m.t.Helper()
	for _, dir := range []string{"srv/data", "home/data", "mnt"} {
		if dir != "mnt" {
			must(m.t, os.Mkdir(m.at(dir), 0o755))
		}
		must(m.t, os.Mkdir(m.at(dir, "seeds"), 0o755))
		must(m.t, os.WriteFile(m.at(dir, "catalogue.db"), bytes.Repeat([]byte("catalogue"), 5000), 0o644))
		must(m.t, os.WriteFile(m.at(dir, "seeds", "rye"), []byte("rye"), 0o644))
		for _, name := range []string{".", "seeds", "catalogue.db", "seeds/rye"} {
			must(m.t, os.Chown(m.at(dir, name), meddlerUser, meddlerUser))
		}
	}
}

// reset lays everything out anew, while the other process is stopped.
func (m *meddled) reset() {
	m.t.Helper()
	for _, dir := range []string{"srv", "home", "mnt"} {
		entries, err := os.ReadDir(m.at(dir))
		must(m.t, err)
		for _, e := range entries {
			if name := m.nearName(m.at(dir, e.Name())); name != "" {
				must(m.t, os.Rename(m.at(dir, e.Name()), m.at(dir, "kept-"+name)))
				continue
			}
			must(m.t, files.RemoveTree(m.at(dir, e.Name())))
		}
	}
	for name := range m.near {
		err := os.Rename(m.at("home", "kept-"+name), m.at("home", name))
		if name == "empty" && errors.Is(err, fs.ErrNotExist) { // an empty folder is theirs to remove there
			m.layNear(name)
		} else if err != nil {
			m.t.Errorf("a bait is gone: %v", err)
		}
	}
	must(m.t, os.Chown(m.at("mnt"), meddlerUser, meddlerUser))
	m.fill()
}

// nearName tells which of the baits in home a path is.
func (m *meddled) nearName(path string) string {
	info, err := os.Lstat(path)
	must(m.t, err)
	for name, f := range m.near {
		if is, err := f.Stat(); err == nil && os.SameFile(is, info) {
			return name
		}
	}
	return ""
}

// look describes all that is root's: owners, modes, names and contents. The baits in home are known by
// descriptor, since the other user may rename them.
func (m *meddled) look() map[string]string {
	m.t.Helper()
	found := make(map[string]string)
	note := func(path, key string) {
		must(m.t, filepath.WalkDir(path, func(p string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			var st unix.Stat_t
			if err := unix.Lstat(p, &st); err != nil {
				return err
			}
			b, _ := os.ReadFile(p)
			b = b[:min(len(b), 10)]
			found[key+strings.TrimPrefix(p, path)] = fmt.Sprintf("%d:%d %o %q", st.Uid, st.Gid, st.Mode, b)
			return nil
		}))
	}
	note(m.at("root"), "root")
	note(fmt.Sprintf("/proc/self/fd/%d/.", m.near["bait"].Fd()), "bait")
	var st unix.Stat_t
	must(m.t, unix.Fstat(int(m.near["empty"].Fd()), &st))
	found["empty"] = fmt.Sprintf("%d:%d %o", st.Uid, st.Gid, st.Mode)
	for _, dir := range []string{"", "srv"} {
		info, err := os.Stat(m.at(dir))
		must(m.t, err)
		found["/"+dir] = fmt.Sprint(info.Mode(), info.Sys().(*syscall.Stat_t).Uid)
	}
	return found
}

// start starts the other process.
func (m *meddled) start() {
	m.t.Helper()
	self, err := os.Executable()
	must(m.t, err)
	b, err := os.ReadFile(self)
	must(m.t, err)
	must(m.t, os.WriteFile(m.path("meddler"), b, 0o755))
	m.meddler = exec.Command(m.path("meddler"), "-test.run=^TestMeddler$")
	m.meddler.Env = []string{"KIST_TEST_MEDDLE=" + m.at(), "GORACE=atexit_sleep_ms=0"}
	m.meddler.Dir = "/"
	m.meddler.SysProcAttr = &syscall.SysProcAttr{
		Credential: &syscall.Credential{Uid: meddlerUser, Gid: meddlerUser}, Pdeathsig: syscall.SIGKILL,
	}
	must(m.t, m.meddler.Start())
	m.t.Cleanup(func() {
		m.meddler.Process.Kill()
		m.meddler.Wait()
	})
}

// signal stops the other process or lets it go on.
func (m *meddled) signal(s syscall.Signal) {
	must(m.t, m.meddler.Process.Signal(s))
	if s == syscall.SIGSTOP {
		_, err := syscall.Wait4(m.meddler.Process.Pid, nil, syscall.WUNTRACED, nil)
		must(m.t, err)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// meddledRuns are the commands of which one is run each round.
func (m *meddled) runs() [][]string {
	srv, home, mnt := m.at("srv", "data"), m.at("home", "data"), m.at("mnt")
	return [][]string{
		{"restore", "one@latest", "--into", srv, "--replace"},
		{"restore", "two@latest", "--into", srv, "--replace"},
		{"restore", "two@latest", "--into", srv, "--replace", "--discard-previous"},
		{"restore", "one@latest", "--into", home, "--replace"},
		{"restore", "two@latest", "--into", home, "--replace"},
		{"restore", "one@latest", "--into", srv, "--replace", "--only", "seeds"},
		{"restore", "one@latest", "--into", srv, "--replace", "--only", "seeds", "--discard-previous"},
		{"restore", "one@latest", "--into", home, "--replace", "--only", "seeds", "--only", "catalogue.db"},
		{"restore", "two@latest", "--into", home, "--replace", "--only", "seeds"},
		{"restore", "one@latest", "--into", mnt, "--replace"},
		{"restore", "two@latest", "--into", mnt, "--replace", "--discard-previous"},
		{"restore", "one@latest", "--into", filepath.Join(srv, "seeds"), "--replace"},
		{"restore", "one@latest", "--into", home, "--replace", "--discard-previous"},
		{"restore", "two@latest", "--into", m.at("home", "v2")},
		{"restore", "box@latest", "--container", "seedbank"},
		{"restore", "box@latest", "--container", "seedbank", "--only", "seeds"},
		{"capture", "--name", "taken", srv},
		{"capture", "--name", "taken", srv, home, mnt},
		{"capture", "--name", "taken", "--reread", filepath.Join(home, "seeds")},
		{"capture", "--name", "taken", "--accept-unfinished", filepath.Join(srv, "catalogue.db")},
		{"capture", "--name", "taken", "--container", "seedbank", "--live"},
	}
}

// round runs one command beside the other process.
func (m *meddled) round(args []string) {
	m.t.Helper()
	m.signal(syscall.SIGCONT)
	status := m.run(m.t.Context(), args...)
	said := m.stderr.String()
	m.signal(syscall.SIGSTOP)
	if status == statusUsage && !strings.Contains(said, "not empty") {
		m.t.Errorf("wrong usage: %s", said)
	}
	if status == statusDone {
		m.done[args[0]]++
	}
	is := m.look()
	for path := range m.want {
		if is[path] != m.want[path] {
			m.t.Errorf("root's %s was %s, and is %s", path, m.want[path], is[path])
		}
	}
	if len(is) != len(m.want) {
		m.t.Errorf("root's were %v, and are %v", m.want, is)
	}
	if args[0] == "capture" && status == statusDone {
		m.checkTaken()
	}
	if m.t.Failed() {
		m.t.Fatalf("kist %q: status %d: %s", args, status, said)
	}
	m.reset()
}

// checkTaken sees that the latest capture holds nothing of root's.
func (m *meddled) checkTaken() {
	m.t.Helper()
	into := m.path("taken")
	m.must("restore", "taken@latest", "--into", into)
	must(m.t, filepath.WalkDir(into, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			if b, _ := os.ReadFile(path); bytes.Contains(b, []byte("BAIT")) {
				m.t.Errorf("%s holds what is root's", path)
			}
		}
		return err
	}))
	must(m.t, files.RemoveTree(into))
}

// TestBesideMeddler restores and captures as root beside a process of another user that moves, links and
// exchanges whatever it can. KIST_TEST_ROUNDS says how often.
func TestBesideMeddler(t *testing.T) {
	rounds := killRounds(t, 30)
	if testing.Short() {
		rounds = min(rounds, 10)
	}
	m := newMeddled(t)
	m.start()
	m.signal(syscall.SIGSTOP)
	m.reset()
	runs := m.runs()
	first := rand.IntN(len(runs))
	for n := range rounds {
		m.round(runs[(first+n)%len(runs)])
	}
	t.Logf("%d rounds, of which succeeded: %v", rounds, m.done)
	if rounds >= len(runs) && (m.done["restore"] == 0 || m.done["capture"] == 0) {
		t.Errorf("of %d rounds succeeded: %v", rounds, m.done)
	}
}

// TestMeddler is the other process. It ends when it is killed.
func TestMeddler(t *testing.T) {
	stage := os.Getenv("KIST_TEST_MEDDLE")
	if stage == "" {
		t.Skip("is run by TestBesideMeddler")
	}
	for {
		meddle(stage)
	}
}

// meddle does one thing; what fails is of no interest.
func meddle(stage string) {
	folders := []string{"srv", "srv/data", "home", "home/data", "home/data/seeds", "mnt"}
	dir := filepath.Join(stage, folders[rand.IntN(len(folders))])
	victim := filepath.Join(dir, pick(dir))
	baits := []string{"root/etc", "root/open", "root/cron.d", "root/spool", "root/etc/shadow", "root/open/passwd"}
	bait := filepath.Join(stage, baits[rand.IntN(len(baits))])
	away := filepath.Join(dir, fmt.Sprint("away-", rand.IntN(8)))
	switch rand.IntN(9) {
	case 0:
		move(victim, away)
		os.Symlink(bait, victim)
	case 1:
		move(victim, away)
		move(filepath.Join(stage, "home", []string{"bait", "empty"}[rand.IntN(2)]), victim)
	case 2:
		unix.Renameat2(unix.AT_FDCWD, victim, unix.AT_FDCWD, filepath.Join(dir, pick(dir)), unix.RENAME_EXCHANGE)
	case 3:
		os.Symlink(bait, filepath.Join(victim, []string{"v2", "data", "data-2", "seeds", "catalogue.db"}[rand.IntN(5)]))
	case 4:
		move(victim, away)
		os.Mkdir(victim, 0o777)
	case 5:
		move(away, filepath.Join(dir, []string{"data", "seeds", "catalogue.db", "v2"}[rand.IntN(4)]))
	case 6:
		os.Link(bait, filepath.Join(dir, "linked"))
		os.Link(bait, victim)
	case 7:
		os.Chmod(victim, 0o777)
		os.WriteFile(filepath.Join(victim, "theirs"), nil, 0o666)
	case 8:
		os.RemoveAll(away)
	}
}

func move(from, to string) {
	unix.Renameat2(unix.AT_FDCWD, from, unix.AT_FDCWD, to, unix.RENAME_NOREPLACE)
}

// pick chooses a name in a folder, one of the program's if there is one, more often than not.
func pick(dir string) string {
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) == 0 {
		return "data"
	}
	ours := slices.DeleteFunc(slices.Clone(entries), func(e fs.DirEntry) bool { return !isOfProgram(e.Name()) })
	if len(ours) > 0 && rand.IntN(3) > 0 {
		entries = ours
	}
	return entries[rand.IntN(len(entries))].Name()
}

func isOfProgram(name string) bool {
	for _, part := range []string{".new-", ".part-", ".before-", ".out-", ".in-"} {
		if strings.Contains(name, part) {
			return true
		}
	}
	return false
}
