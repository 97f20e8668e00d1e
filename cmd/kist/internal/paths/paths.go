package paths

import "path/filepath"

// Resolve gives a path without links, as far as it can be had.
func Resolve(path string) string {
	if target, err := filepath.EvalSymlinks(path); err == nil {
		path = target
	}
	if full, err := filepath.Abs(path); err == nil {
		path = full
	}
	return path
}

// Within tells whether a path is that of a folder or of something in it, by the paths alone: resolve both before, where
// links may lie on the way. One of the two being relative, it is not.
func Within(folder, path string) bool {
	rel, err := filepath.Rel(folder, path)
	return err == nil && (rel == "." || filepath.IsLocal(rel))
}

// Overlap tells whether two paths are one, or one lies within the other, as Within does.
func Overlap(a, b string) bool { return Within(a, b) || Within(b, a) }

// ResolvePlace is Resolve for what may not be there yet.
func ResolvePlace(path string) string {
	if full, err := filepath.Abs(path); err == nil {
		path = full
	}
	if target, err := filepath.EvalSymlinks(path); err == nil {
		return target
	}
	if above := filepath.Dir(path); above != path {
		return filepath.Join(ResolvePlace(above), filepath.Base(path))
	}
	return path
}

// Absolute gives a path that does not depend on the current folder, as far as it can be had.
func Absolute(path string) string {
	if full, err := filepath.Abs(path); err == nil {
		return full
	}
	return path
}
