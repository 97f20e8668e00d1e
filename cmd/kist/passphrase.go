package main

import "github.com/urfave/cli/v2"

func (a *app) passphraseCommand() *cli.Command {
	return &cli.Command{
		Name:  "passphrase",
		Usage: "manage the passphrases and key files that open the repository",
		Description: `
Each passphrase or key file has a key slot: the root key, sealed under it.

Example:
  kist passphrase list
  kist passphrase add --label "the safe"`,
		Subcommands: []*cli.Command{a.addCommand(), a.changeCommand(), a.removeCommand(), a.slotsCommand()},
	}
}

func newSecretFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "key-file", Usage: "make a new key in `FILE`, which must not be there"},
		&cli.StringFlag{Name: "new-passphrase-file", Usage: "read the new passphrase from `FILE`"},
		&cli.StringFlag{Name: "label", Usage: "`TEXT` that tells the key slot from others; it can be read without a key"},
	}
}
