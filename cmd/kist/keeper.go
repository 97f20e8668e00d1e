package main

import "github.com/kistarchive/kist/cmd/kist/internal/stopped"

// keeper gives what stops containers and starts them again.
func (a *app) keeper() *stopped.Keeper {
	return &stopped.Keeper{Screen: a.Screen, Folder: a.stateFolder, Engine: a.engine}
}
