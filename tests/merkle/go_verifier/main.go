// Command go_verifier reads a whole log of the ledger over HTTP and verifies it with nothing of ours: the notes and
// the tree by the packages that the checksum database of Go itself is built on (golang.org/x/mod/sumdb).
//
//	go_verifier -url http://127.0.0.1:8000/v1/facilities/skerrow/log -token … -key skerrow.example/regulators+…
//
// It prints one line for each thing it has verified. When something differs it says what, on standard error, and
// ends with 1; asked the wrong way it ends with 2.
package main

import (
	"flag"
	"fmt"
	"os"
	"strconv"
)

// asked is what the command line asks for.
type asked struct {
	url, token  string
	keys        []string // verifier key lines of the log: more than one once it has changed its key
	witnesses   []string // verifier key lines of witnesses that must have cosigned
	older, save string   // files: a checkpoint seen before, and where to keep the one seen now
	proofs      []int64  // sequence numbers of entries whose proof files to verify
}

func main() {
	var a asked
	flag.StringVar(&a.url, "url", "", "address of the log, up to and without the slash before checkpoint")
	flag.StringVar(&a.token, "token", "", "bearer token with the scope read")
	flag.Func("key", "verifier key line of the log; again for each of its older keys", keep(&a.keys))
	flag.Func("witness", "verifier key line of a witness that must have cosigned; again for each", keep(&a.witnesses))
	flag.StringVar(&a.older, "older", "", "file with a checkpoint seen before, of which this log must be the continuation")
	flag.StringVar(&a.save, "save", "", "file to keep this checkpoint in once all is verified")
	flag.Func("proof", "sequence number of an entry whose proof file to verify; again for each", func(text string) error {
		seq, err := strconv.ParseInt(text, 10, 64)
		a.proofs = append(a.proofs, seq)
		return err
	})
	flag.Parse()
	if a.url == "" || len(a.keys) == 0 || flag.NArg() > 0 {
		flag.Usage()
		os.Exit(2)
	}
	if err := run(a); err != nil {
		fmt.Fprintln(os.Stderr, "differs:", err)
		os.Exit(1)
	}
}

func keep(list *[]string) func(string) error {
	return func(text string) error {
		*list = append(*list, text)
		return nil
	}
}

// run verifies everything there is, from the signature down to the last entry.
func run(a asked) error {
	t, err := newTrust(a.keys, a.witnesses)
	if err != nil {
		return err
	}
	l := newLog(a.url, a.token)
	signed, err := l.get("checkpoint")
	if err != nil {
		return err
	}
	now, err := t.open(signed)
	if err != nil {
		return fmt.Errorf("checkpoint: %w", err)
	}
	fmt.Printf("checkpoint %s: %d entries, root %v\n", now.origin, now.tree.N, now.tree.Hash)
	for _, line := range now.cosigned {
		fmt.Println("cosigned", line)
	}
	if err := l.verifyTree(now); err != nil {
		return err
	}
	if a.older != "" {
		if err := l.verifyGrowth(t, a.older, now); err != nil {
			return err
		}
	}
	for _, seq := range a.proofs {
		if err := l.verifyProof(t, seq); err != nil {
			return fmt.Errorf("proof of entry %d: %w", seq, err)
		}
	}
	if a.save != "" {
		return os.WriteFile(a.save, signed, 0o644)
	}
	return nil
}
