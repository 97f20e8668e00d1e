// Package upgrade puts a new version of a service in the place of the old one, so that in
// the end exactly one of them runs, on its own data: after a failure and an interrupt by the
// same run, and after a kill by the next one, from a journal in a folder of this machine.
//
// Each step is written down, and flushed, before it is done. So what a step says may have
// been done, wholly, in part or not at all; what comes after it was not. Recovery looks at what
// is there and does only what is missing; it may be killed too, and begins again.
//
//	step       what is on the machine then                     what recovery does
//	making     the old one runs. The new container may be      removes the new container; one that
//	           there, under a name of its own, not started,    something started all the same is
//	           and without a restart policy                    stopped, and kept for a look
//	stopping   the old one may be stopped. Maybe there is a    starts the old one, and removes
//	           capture that the journal does not know          the new container
//	captured   the old one stands, its data is captured, the   gives the old one its name back,
//	           capture may be held. The names may be           starts it, removes the new container,
//	           exchanged: both, one or none                   releases the capture
//	starting   the new one may run, and have changed the       goes back: builds the data of the
//	           data                                            capture beside each volume, and proves
//	                                                           it; only then the step below
//	good       the new one runs and was found well             releases the capture. The journal is
//	                                                           kept as a record, for --undo
//	looking    the new one runs, and going back is asked for:  takes the journal away
//	           the data is built beside each volume
//	back       all is built. The new one may run yet. Once     looks what stands at each place; stops
//	           both stand, the journal says of each place      the new one; builds the data of the
//	           what stands there and what was built for it,    capture beside each volume that is not
//	           by device, inode and kind; then they are        exchanged yet, exchanges it, and writes
//	           exchanged, and it says where the old is kept    the next step
//	returned   the data is the old one's. It may run, and      sets the new container aside under a
//	           have changed it: it is not put back again       dated name, gives the old one its name,
//	                                                           starts it
//	ended      the old one runs and was watched. A record of   releases the capture, takes the
//	           the upgrade says that it was undone             journal and that record away
//
// The new container has no restart policy before it was found well: an engine would start one that fails again and again, also
// while the data is put back. Then it gets the old one's, still in the step "starting", by the engine's update or by being
// made once more. So do containers that are set aside lose theirs, since engines start what has one when the machine starts: the
// old one in the step "captured", before the new one starts, and the new one in the step "back", before the data is exchanged.
// Making once more (again.go) writes down what takes whose place before that is removed. A
// container that is to stand counts as standing only once it stayed down for longer than an engine waits with a restart
// (standing.go).
//
// What stands at each place is looked at before the engine is asked for anything: a place in the middle of an exchange is
// put in order first. Where it is neither of the two, nothing is done and a person must look.
//
// The new version is only started while the old one stands, and the old one only after the new
// one was stopped: never both. Data is only put back where the new version may have been
// started; else nothing but the old one has touched it. If the capture can't be read when it is needed, nothing
// is stopped or exchanged: what runs goes on to run, and the journal stays until it can be. It says then why, and
// only whoever is told to try again does (Resuming).
//
// A command of the user's that stops or starts a service has a token in its environment that the journal knows before it is
// run: what it goes on doing after a kill is ended before another one is run.
//
// What keeps a service still, such as a capture, puts a note of that, and then looks for journals; an upgrade or undo puts its
// journal, and then looks for such notes (Upgrader.Held). So neither begins within the other, and both may be refused. A run by
// another user's notes is seen by the engine alone: what does not run by then, or has another name, is left alone.
//
// A container that is set aside is known by a record or, of one that failed or was undone, by a note of its own that is
// ahead of its new name: journals and records of these go.
//
// It knows containers as package engine has them, and how to watch them; what captures and
// restores their data it is given. It knows nothing of repositories and commands. Of this module
// it imports engine, screen, files, notes, paths, programs, watch, and store/volume to put in order what a killed
// exchange left.
package upgrade
