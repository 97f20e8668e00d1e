//go:build !unix

package main

func fakeEngine() {}
