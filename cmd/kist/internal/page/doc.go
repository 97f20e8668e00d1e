// Package page is a room of the program: what captures cost, and how they lie in the calendar, as a page
// for people who would rather look than read.
//
// Its door is Write, with a Report. Body is the same without the frame, for a page of somebody
// else's. It knows figures of package store, and how they are drawn; it reads no repository. Nothing on
// a page comes from elsewhere, nothing of it is a script, and names are text whatever they hold.
package page
