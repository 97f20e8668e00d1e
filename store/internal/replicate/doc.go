// Package replicate is a room of the house: captures of one place of a repository are copied to
// another one, object by object.
//
// Its door is Replicator, over the stocks of two places. It knows which captures the other place
// lacks, which slabs they need, and in which order objects are put so that whatever stops it leaves both
// places whole. What is damaged it names, and sends nothing that needs it. Of the rooms it stands on the
// foundation.
package replicate
