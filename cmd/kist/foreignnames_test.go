package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// foreignNames are fields that hold names which others gave: of containers, services, images and mounts.
var foreignNames = []string{
	"Name", "Container", "Service", "Image", "OldImage", "ImageName", "Before", "Failed", "Next", "Again", "Runs", "From", "To", "Of",
	"Destination", "Source", "Policy", "Place", "Kept",
}

// TestForeignNamesAreEscaped: in errors and other texts about rehearsals and upgrades no name that others gave stands as it is:
// it could break lines, or steer a terminal.
func TestForeignNamesAreEscaped(t *testing.T) {
	var files []string
	for _, pattern := range []string{"internal/upgrade/*.go", "internal/rehearse/*.go", "internal/watch/*.go", "upgrade*.go", "rehearse*.go", "openupgrade.go", "beside.go"} {
		found, err := filepath.Glob(pattern)
		if err != nil || len(found) == 0 {
			t.Fatal(pattern, err)
		}
		files = append(files, found...)
	}
	seen := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, name, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || !makesText(call) {
				return true
			}
			seen++
			for _, arg := range call.Args {
				if field, ok := arg.(*ast.SelectorExpr); ok && slices.Contains(foreignNames, field.Sel.Name) {
					t.Errorf("%s: %s.%s stands in a text as it is: screen.Line escapes it", set.Position(arg.Pos()), ast.Unparen(field.X), field.Sel.Name)
				}
			}
			return true
		})
	}
	if seen < 100 {
		t.Errorf("only %d texts were seen", seen)
	}
}

// makesText tells whether a call formats a text with %s or %v.
func makesText(call *ast.CallExpr) bool {
	f, ok := call.Fun.(*ast.SelectorExpr)
	if !ok || !slices.Contains([]string{"Errorf", "Sprintf", "Fprintf", "Warn", "Say", "Tell", "Printf", "fail"}, f.Sel.Name) {
		return false
	}
	for _, arg := range call.Args {
		if text, ok := arg.(*ast.BasicLit); ok && text.Kind == token.STRING {
			format, err := strconv.Unquote(text.Value)
			return err == nil && strings.Contains(format, "%")
		}
	}
	return false
}
