package store

import (
	"errors"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/give"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/reclaim"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Errors of opening a repository. Compare with errors.Is.
var (
	// ErrNoRepository is returned by Open where there is no repository.
	ErrNoRepository = vault.ErrNoRepository

	// ErrExists is returned by Create where there is a repository already.
	ErrExists = vault.ErrExists

	// ErrLeft is among the errors of Create and CreateReplica where some of what was put before could not be taken back, which the
	// error names. Where kist.json is among that, there may be a repository, which the same secret opens.
	ErrLeft = vault.ErrLeft

	// ErrUnknownFormat is returned for a repository or an object of a format
	// version that this release does not know.
	ErrUnknownFormat = format.ErrUnknownVersion

	// ErrWrongSecret is returned by Open when every key slot of the secret's
	// kind is intact and none opens: the wrong passphrase or key file.
	ErrWrongSecret = crypt.ErrWrongSecret

	// ErrDamagedSlot is returned by Open when no key slot opens and some of
	// them are damaged, so that nothing can be said of the secret.
	ErrDamagedSlot = crypt.ErrDamagedSlot

	// ErrTooManySlots is returned by AddSlot where there are crypt.MaxSlots, and by Open
	// where there are more and none of those that it tries opens.
	ErrTooManySlots = crypt.ErrTooManySlots

	// ErrClosed is returned by every method that can fail, and by the reader of a member,
	// once the Repository was closed. It is fs.ErrClosed, too.
	ErrClosed = crypt.ErrKeysWiped

	// ErrLastSlot is returned by RemoveSlot for the only key slot left that is known to
	// open the repository.
	ErrLastSlot = vault.ErrLastSlot
)

// Errors of capturing.
var (
	// ErrUnfinished is returned by Capture for a tar stream, or a compressed
	// one, that is cut short. The error is a *tarstream.UnfinishedError.
	ErrUnfinished = tarstream.ErrUnfinished

	// ErrChanged is returned by whatever stores contents where a frame that was read back is
	// not what was hashed: this machine's memory, or its processor, changes bytes. Nothing
	// was captured.
	ErrChanged = intake.ErrChanged

	// ErrBadOptions is returned for options that contradict themselves or are
	// out of bounds.
	ErrBadOptions = vault.ErrBadOptions
)

// Errors of finding and reading.
var (
	// ErrNotFound is returned for a capture, a volume, a member or a key slot
	// that is not there. It is fs.ErrNotExist, too.
	ErrNotFound = vault.ErrNotFound

	// ErrAmbiguous is returned by Find where it is not clear which capture is meant, in an
	// *AmbiguousError, and where it is not clear which volume is.
	ErrAmbiguous = errors.New("more than one fits")

	// ErrDamaged is returned when something in the repository is missing or is
	// not what was written. DamagedObjects tells which object.
	ErrDamaged = format.ErrDamaged

	// ErrBase is in an error about content that was stored as what differs from something else, its base, where that is
	// damaged or missing. DamagedObjects tells where the base lies. It is mostly ErrDamaged as well.
	ErrBase = fetch.ErrBase

	// ErrUnproved is returned by OpenMember's reader and RestoreMembers, behind all that was
	// asked for, where nothing shows that it is what was captured: the tables are lost or say
	// what does not fit, and not all of the volume can be read. It is ErrDamaged as well.
	ErrUnproved = give.ErrUnproved

	// ErrMoved is returned by whatever reads a volume when an object of it is gone
	// because its capture was moved to other slabs, or removed, after it was found.
	// Nothing is harmed: find the capture again.
	ErrMoved = give.ErrMoved
)

// Errors of what is done beside others.
var (
	// ErrBusy is returned where another machine is doing what only one may do at a
	// time: reclaiming, or repairing. It comes in a *BusyError where it is known who that is.
	ErrBusy = lease.ErrBusy

	// ErrOvertaken is returned by whoever stood still for so long, as on a machine that
	// slept, that others may have gone on without it: a capture when space that it
	// relied on was reclaimed meanwhile, or was about to be as it began. Nothing is lost but
	// time: what was stored is used when it is done again.
	ErrOvertaken = lease.ErrOvertaken
)

// Errors of retention.
var (
	// ErrHeld is returned by Retire for a capture that is held.
	ErrHeld = reclaim.ErrHeld

	// ErrRetired is returned by Hold for a capture that is retired.
	ErrRetired = reclaim.ErrRetired

	// ErrTooLate is returned by Reinstate for a capture that is being removed.
	ErrTooLate = reclaim.ErrTooLate
)

// Errors of reclaiming.
var (
	// ErrUnexplained is returned by Reclaim where more would go than retirements, and what
	// was moved, explain: index files may have vanished that no other capture saw.
	// ReclaimOptions.AcceptUnexplained frees it all the same.
	ErrUnexplained = reclaim.ErrUnexplained

	// ErrVanished is returned by Reclaim where captures vanished without having been
	// retired: their contents may still be there, for whoever finds the index files.
	// The error is a *VanishedError.
	ErrVanished = reclaim.ErrVanished

	// ErrNoDeltas is returned by Reclaim where something is to be stored anew with deltas, and they are off.
	ErrNoDeltas = reclaim.ErrNoDeltas
)

// VanishedError is [ErrVanished] with the captures. It has a list of ids:
//
//	Captures []string // sorted
type VanishedError = reclaim.VanishedError

// Errors of what this machine knows of a repository.
var (
	// ErrStranger is returned by Open where a repository has another root key than the one that
	// this machine knows by that id.
	ErrStranger = ledger.ErrStranger

	// ErrForgetful is what OpenOptions.Warn gets where nothing can be kept in
	// OpenOptions.State: what is learned is known for as long as the Repository is open.
	ErrForgetful = ledger.ErrForgetful
)

// LapseError tells what this machine knows of the captures of a repository and does not
// find there. Any of it means that somebody removed or exchanged objects, or put the
// repository back to an earlier state, beside kist. It has three lists of ids:
//
//	Missing   []string // of captures that are not there, and were not removed by reclaiming or repairing
//	Exchanged []string // whose index files are other ones than they were
//	Returned  []string // that were removed on purpose, and are there again
type LapseError = ledger.LapseError

// ObjectError names the object of the repository that an error is about. It has:
//
//	Object string // its name in the storage
//	Err    error  // what is wrong with it
type ObjectError = vault.ObjectError
