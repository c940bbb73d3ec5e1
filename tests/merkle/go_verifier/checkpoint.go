package main

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// checkpoint is what a log says of itself, verified.
type checkpoint struct {
	origin   string
	tree     tlog.Tree
	cosigned []string
}

// trust is whom the caller believes: the log, and the witnesses that must have been there.
type trust struct {
	logs      map[string]bool // names
	witnesses map[string]*witness
	known     note.Verifiers
}

func newTrust(keys, witnesses []string) (*trust, error) {
	t := &trust{logs: map[string]bool{}, witnesses: map[string]*witness{}}
	var all []note.Verifier
	for _, key := range keys {
		v, err := note.NewVerifier(key)
		if err != nil {
			return nil, fmt.Errorf("key %q: %w", key, err)
		}
		t.logs[v.Name()] = true
		all = append(all, v)
	}
	for _, key := range witnesses {
		w, err := newWitness(key)
		if err != nil {
			return nil, fmt.Errorf("witness %q: %w", key, err)
		}
		t.witnesses[w.name] = w
		all = append(all, w)
	}
	t.known = note.VerifierList(all...)
	return t, nil
}

// open verifies a signed checkpoint: by the log whose name is its origin, and by every witness asked for.
func (t *trust) open(signed []byte) (*checkpoint, error) {
	n, err := note.Open(signed, t.known)
	if err != nil {
		return nil, err
	}
	c, err := parseCheckpoint(n.Text)
	if err != nil {
		return nil, err
	}
	byLog := false
	for _, s := range n.Sigs {
		if w, ok := t.witnesses[s.Name]; ok && w.hash == s.Hash {
			c.cosigned = append(c.cosigned, fmt.Sprintf("by %s at %d", s.Name, w.at))
		} else if s.Name == c.origin && t.logs[s.Name] {
			byLog = true
		}
	}
	if !byLog {
		return nil, fmt.Errorf("not signed by the log %s", c.origin)
	}
	if len(c.cosigned) < len(t.witnesses) {
		return nil, fmt.Errorf("cosigned by %d witnesses of %d", len(c.cosigned), len(t.witnesses))
	}
	return c, nil
}

func parseCheckpoint(text string) (*checkpoint, error) {
	lines := strings.Split(text, "\n")
	if len(lines) < 4 || lines[0] == "" {
		return nil, errors.New("fewer than three lines")
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 0 || strconv.FormatInt(size, 10) != lines[1] {
		return nil, fmt.Errorf("no tree size: %q", lines[1])
	}
	root, err := tlog.ParseHash(lines[2])
	if err != nil {
		return nil, fmt.Errorf("no root: %q", lines[2])
	}
	return &checkpoint{origin: lines[0], tree: tlog.Tree{N: size, Hash: root}}, nil
}

// witness verifies cosignatures, which the note package leaves to others (C2SP tlog-cosignature, Ed25519).
type witness struct {
	name string
	hash uint32
	key  ed25519.PublicKey
	at   uint64 // the time stated in the last cosignature verified
}

func newWitness(line string) (*witness, error) {
	parts := strings.SplitN(line, "+", 3)
	if len(parts) != 3 {
		return nil, errors.New("not three parts")
	}
	hash, err := strconv.ParseUint(parts[1], 16, 32)
	if err != nil {
		return nil, err
	}
	typed, err := base64.StdEncoding.DecodeString(parts[2])
	if err != nil || len(typed) != 1+ed25519.PublicKeySize || typed[0] != 0x04 {
		return nil, errors.New("not the key of a witness")
	}
	sum := sha256.Sum256(append([]byte(parts[0]+"\n"), typed...))
	if binary.BigEndian.Uint32(sum[:]) != uint32(hash) {
		return nil, errors.New("name, id and key do not belong together")
	}
	return &witness{name: parts[0], hash: uint32(hash), key: typed[1:]}, nil
}

func (w *witness) Name() string    { return w.name }
func (w *witness) KeyHash() uint32 { return w.hash }

func (w *witness) Verify(text, signature []byte) bool {
	if len(signature) != 8+ed25519.SignatureSize {
		return false
	}
	w.at = binary.BigEndian.Uint64(signature)
	signed := fmt.Sprintf("cosignature/v1\ntime %d\n%s", w.at, text)
	return ed25519.Verify(w.key, []byte(signed), signature[8:])
}
