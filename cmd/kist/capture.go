package main

import "github.com/urfave/cli/v2"

func (a *app) captureCommand() *cli.Command {
	return &cli.Command{
		Name:        "capture",
		Usage:       "take volumes in, as one capture",
		ArgsUsage:   "SOURCE… or --container NAME",
		Flags:       append(captureFlags(), spoolFlags()...),
		Description: captureHelp,
		Action:      a.limiting(a.metering(a.capture)),
	}
}

func captureFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "name", Usage: "`NAME` of the service; by default that of the first source, or of the container"},
		&cli.StringFlag{Name: "version", Usage: "`VERSION` of the service that the data belongs to; by default the tag of the container's image"},
		&cli.StringFlag{Name: "note", Usage: "`TEXT` for people, such as the launch command"},
		&cli.StringFlag{Name: "taken", Usage: "`TIME` when the data was as captured, as 2026-03-14, \"2026-03-14 02:03\" (local) or RFC 3339; by default now"},
		acceptFutureFlag(),
		&cli.StringFlag{Name: "host", Usage: "`NAME` of the machine that the data comes from; by default this one"},
		&cli.StringSliceFlag{Name: "label", Usage: "`KEY=VALUE` of your own; may be given several times"},
		&cli.BoolFlag{Name: "hold", Usage: "hold the capture from the start: it is never retired until kist release"},
		&cli.BoolFlag{Name: "accept-unfinished", Usage: "take in a tar stream that is cut short or damaged, as far as it goes"},
		&cli.BoolFlag{Name: "strict", Usage: "exit with 1 if a file changed while it was read, or more than half is gone since the capture before; the capture is made all the same"},
		&cli.BoolFlag{Name: "reread", Usage: "of folders: read every file, also those that are as in the capture before"},
		&cli.StringSliceFlag{Name: "exclude", Usage: "of folders: leave out what fits `PATTERN`, a line as in .gitignore; may be given several times"},
		&cli.BoolFlag{Name: "skip-cache-folders", Usage: "of folders: leave out what is in folders tagged by CACHEDIR.TAG"},
		&cli.BoolFlag{Name: "cross-mounts", Usage: "of folders: take in what is mounted below them"},
		&cli.BoolFlag{Name: "accept-empty", Usage: "take a folder though it is empty, or was a mount point and nothing is mounted there"},
		&cli.StringFlag{Name: "before", Usage: "run `COMMAND`, which holds the service still, before the data is read; if it fails nothing is captured"},
		&cli.StringFlag{Name: "after", Usage: "run `COMMAND`, which lets the service go on, once the data is read, whatever happens"},
		&cli.BoolFlag{Name: "from", Usage: "capture what COMMAND prints, and nothing if it fails"},
		&cli.StringFlag{Name: "version-from", Usage: "take as the version what `COMMAND` prints, its first line"},
		&cli.StringSliceFlag{Name: "container", Usage: "capture the volumes of the container `NAME`; may be given several times"},
		&cli.BoolFlag{Name: "stop", Usage: "of containers: stop them while they are captured, in the order given, and start them again in the reverse"},
		&cli.BoolFlag{Name: "live", Usage: "of a container: capture it while it runs and writes"},
		&cli.BoolFlag{Name: "include-readonly", Usage: "of a container: also what it can't write"},
		&cli.StringSliceFlag{Name: "exclude-mount", Usage: "of a container: not what is mounted at `PATH`; may be given several times"},
		engineFlag(),
		&cli.BoolFlag{Name: "each", Usage: "of old tarballs: each becomes a capture of its own, unless it is there already"},
		&cli.StringFlag{Name: "name-pattern", Usage: "with --each: file names are as `PATTERN` says, such as {name}-{version}-{date}"},
		&cli.BoolFlag{Name: "dry-run", Usage: "with --each: show what would be made of each name, and do nothing"},
		limitRateFlag(),
		metricsFlag(),
	}
}

const captureHelp = `
SOURCE is a folder, a file, or - for standard input. A file or standard input is
a tar stream, plain or compressed by gzip, zstd, xz or bzip2 (it is unpacked), or
anything else, which is then kept as it is. Each source becomes one volume, named
by its base name without .tar, .tar.gz and the like; so is the
capture, by its first source. NAME=SOURCE gives the volume another name (./a=b is a
path). For standard input --name is needed.

A file of a folder that is as it was in the latest capture of the same name, host
and folder (size, times, inode, owner, mode) is not read again but taken over from
there, if this machine made that capture, as far as it remembers (KIST_STATE): the first
capture on a machine reads all. Stop the service first: files that change while they are read are reported.

A folder that is empty is refused, as an empty stream is, unless it was empty in the
capture before, too (of the same name and host); so is one that was a mount point there
and is none now. --accept-empty insists. If more than half of a volume's members
or bytes are gone since the capture before, a warning says so.

--before and --after run a command each, by sh -c in the folder where kist was called.
Before --before, folders are read once, so that only what changes after that is read
while the service is held still. --after is run whatever happens, also where --before
fails; if kist is killed, the next kist command runs it. So it must bear to be run where
nothing is held still, and twice. Containers are stopped after --before, and run again
before --after.

--from runs COMMAND without a shell, and keeps what it prints as one volume, named as
the capture is; --name is needed. A pipe into kist capture - can't know whether
what writes to it failed, and captures what there is of it.

With --container each volume and each bind mount that the container can write
becomes one volume. The image, its digest and the whole launch configuration are
recorded: kist show --launch prints the command line that makes it again. A
running container is refused without --stop or --live. With --stop the volumes
are read once while it still runs, so that only what changes after that is read
while it is down; then it is started again, whatever happens. If kist itself is
killed meanwhile, the next kist command starts it. With --reread everything is
read again while it is down. Several containers make one capture, of one moment if they
are stopped; name and version are those of the first.

Where the repository lies on a share and something is stopped, or --before is given, the
data is read into a spool on this machine (in the folder of KIST_STATE), sealed as in the
repository, and sent when the service runs again: it is never down for the share. Whether
there is room is looked at first; what was sent gives way. Where it is full in the midst, or has
as much as --spool-limit says, the capture goes into the repository at once, or fails where it
can't, and the service runs again. Where the share does not answer (--wait), or the sending
fails, the capture waits in the spool: kist list and kist status tell of it, it can be
restored from there, and the next kist capture sends it, or kist resume; the exit status is
1 then, but with --spool-only. --give-up TIME bounds how long sending waits for a share
that does not answer. Until it is sent it dies with this machine. The spool keeps the
last three captures of each name.

--each takes old tarballs in, the oldest first, each as a capture of its own. Name,
version and date are what the file name says, such as
seedbank-4.1.0-2026-03-14.tar.gz, by local time; without a date there, the file's time
of modification counts. Dates such as 04-05-2026 are refused. --name-pattern says
where the parts stand: {name}, {version}, {date}, {time}, or {year}, {month}, {day}, {hour}, {minute},
{second}, and * for anything; --name and --version win. --dry-run shows what comes of it.
A tarball whose stream is in the repository already, by its SHA-256, is passed over, also
if it was compressed otherwise or its capture is retired: so it can be run again. (Once
such a capture is gone for good, it would be taken in again.) What is cut
short is named, and the others are taken in; the exit status is 1 then. A line on standard
output for each capture has its id and the file.

The last line on standard output is the capture's id.

Example:
  kist capture --name seedbank --version 4.1.0 /srv/seedbank
  kist capture --exclude '*.tmp' --exclude /cache/ /srv/seedbank
  kist capture --container seedbank --stop
  kist capture --container seedbank --container seedbank-db --stop
  kist capture --before 'systemctl stop seedbank' \
    --after 'systemctl start seedbank' data=/srv/seedbank
  kist capture --name seedbank-db --from -- dump-program --all
  tar -C /srv -c seedbank | kist capture --name seedbank --version 4.1.0 -
  kist capture --taken "$(date -r old.tar.gz --iso-8601=seconds)" old.tar.gz
  kist capture --each --name seedbank --dry-run old/*.tar.gz`
