package lease

import (
	"fmt"
	"os"
	"strings"
)

// thisProcess names this process so that others on this machine can tell whether it
// lives: by the machine's boot, the namespace of process numbers, the number, and
// when it began (proc_pid_stat(5), field 22). It is "" where that can't be found out.
func thisProcess() string { return processOf(os.Getpid()) }

func processOf(pid int) string {
	boot, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	namespace, err := os.Readlink("/proc/self/ns/pid")
	if err != nil {
		return ""
	}
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return ""
	}
	state, began, ok := parseStat(string(stat))
	if !ok || state == "Z" || state == "X" {
		return "" // it has ended
	}
	return fmt.Sprintf("%s %s %d %s", strings.TrimSpace(string(boot)), namespace, pid, began)
}

// parseStat gives fields 3 and 22. The second one, a name in parentheses, may hold
// anything.
func parseStat(stat string) (state, began string, ok bool) {
	fields := strings.Fields(stat[strings.LastIndexByte(stat, ')')+1:])
	if len(fields) < 20 {
		return "", "", false
	}
	return fields[0], fields[19], true
}

// hasEnded tells whether a process is known to have ended: it was one of this boot
// and namespace, and is there no more.
func hasEnded(process string) bool {
	var boot, namespace, began string
	var pid int
	if _, err := fmt.Sscanf(process, "%s %s %d %s", &boot, &namespace, &pid, &began); err != nil {
		return false
	}
	self := strings.Fields(thisProcess())
	return len(self) == 4 && self[0] == boot && self[1] == namespace && processOf(pid) != process
}
