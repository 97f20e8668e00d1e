package format

import (
	"time"

	"github.com/kistarchive/kist/crypt"
)

// Previous names the capture that the writer of an index file made before.
type Previous struct {
	_    struct{} `cbor:",toarray"`
	ID   string
	Hash crypt.Digest // as IndexFile.Hash gives it
}

// Hash gives what a capture is known by, whatever the generation of its index file:
// moving and healing change where chunks lie, and so the runs of recipes, and no more.
// Fields that this release does not know are not part of it.
func (f *IndexFile) Hash() crypt.Digest {
	h := hashedFile{
		ID: f.ID, Written: f.Written, Taken: f.Taken, Name: f.Name, Version: f.Version, Note: f.Note,
		Host: f.Host, Labels: f.Labels, Added: f.Added, Seen: hashRecipe(f.Seen), Previous: f.Previous,
	}
	if f.Volumes != nil {
		h.Volumes = make([]hashedVolume, 0, len(f.Volumes))
	}
	for i := range f.Volumes {
		v := &f.Volumes[i]
		h.Volumes = append(h.Volumes, hashedVolume{
			Name: v.Name, MountPath: v.MountPath, Source: v.Source, Compression: v.Compression, Tar: v.Tar,
			Members: v.Members, Length: v.Length, SHA256: v.SHA256, Unfinished: v.Unfinished,
			MemberList: *hashRecipe(&v.MemberList), Stamps: hashRecipe(v.Stamps), Contents: hashRecipe(v.Contents),
			States: hashRecipe(v.States), Warnings: v.Warnings,
		})
	}
	return crypt.HashCapture(indexBounds.codec().encode(&h))
}

// hashedFile is IndexFile, as its hash is made over it.
type hashedFile struct {
	ID       string            `cbor:"1,keyasint"`
	Written  time.Time         `cbor:"2,keyasint"`
	Taken    time.Time         `cbor:"3,keyasint"`
	Name     string            `cbor:"4,keyasint,omitempty"`
	Version  string            `cbor:"5,keyasint,omitempty"`
	Note     string            `cbor:"6,keyasint,omitempty"`
	Host     string            `cbor:"7,keyasint,omitempty"`
	Labels   map[string]string `cbor:"8,keyasint,omitempty"`
	Volumes  []hashedVolume    `cbor:"9,keyasint"`
	Added    uint64            `cbor:"10,keyasint"`
	Seen     *hashedRecipe     `cbor:"11,keyasint,omitempty"`
	Previous *Previous         `cbor:"12,keyasint,omitempty"`
}

// hashedVolume is Volume, likewise.
type hashedVolume struct {
	Name        string        `cbor:"1,keyasint,omitempty"`
	MountPath   string        `cbor:"2,keyasint,omitempty"`
	Source      string        `cbor:"3,keyasint,omitempty"`
	Compression string        `cbor:"4,keyasint,omitempty"`
	Tar         bool          `cbor:"5,keyasint,omitempty"`
	Members     uint64        `cbor:"6,keyasint"`
	Length      uint64        `cbor:"7,keyasint"`
	SHA256      []byte        `cbor:"8,keyasint,omitempty"`
	Unfinished  string        `cbor:"9,keyasint,omitempty"`
	MemberList  hashedRecipe  `cbor:"10,keyasint"`
	Stamps      *hashedRecipe `cbor:"11,keyasint,omitempty"`
	Contents    *hashedRecipe `cbor:"12,keyasint,omitempty"`
	States      *hashedRecipe `cbor:"13,keyasint,omitempty"`
	Warnings    []string      `cbor:"14,keyasint,omitempty"`
}

// hashedRecipe is Recipe without what generations change.
type hashedRecipe struct {
	Chunks uint64       `cbor:"3,keyasint"`
	Bytes  uint64       `cbor:"4,keyasint"`
	Digest crypt.Digest `cbor:"5,keyasint"`
}

func hashRecipe(r *Recipe) *hashedRecipe {
	if r == nil {
		return nil
	}
	return &hashedRecipe{r.Chunks, r.Bytes, r.Digest}
}
