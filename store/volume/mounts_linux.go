package volume

import (
	"bufio"
	"os"
	"strings"
)

// unescapeMount undoes how mountinfo writes white space and backslashes.
var unescapeMount = strings.NewReplacer(`\040`, " ", `\011`, "\t", `\012`, "\n", `\134`, `\`)

// mounts lists the paths on which something is mounted, bind mounts included (proc_pid_mountinfo(5):
// the fifth field).
func mounts() ([]string, error) {
	f, err := os.Open("/proc/self/mountinfo")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var points []string
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		if fields := strings.Fields(lines.Text()); len(fields) > 4 {
			points = append(points, unescapeMount.Replace(fields[4]))
		}
	}
	return points, lines.Err()
}
