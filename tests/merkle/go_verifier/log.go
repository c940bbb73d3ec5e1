package main

import (
	"fmt"
	"io"
	"net/http"
	"sort"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

const height = 8 // of a tile: 256 hashes

// log is a log at an address. It hands tiles to the tlog package, which verifies them, and remembers them.
type log struct {
	url, token string
	tiles      map[tlog.Tile][]byte
}

func newLog(url, token string) *log {
	return &log{url: strings.TrimRight(url, "/"), token: token, tiles: map[tlog.Tile][]byte{}}
}

func (l *log) get(path string) ([]byte, error) {
	request, err := http.NewRequest(http.MethodGet, l.url+"/"+path, nil)
	if err != nil {
		return nil, err
	}
	if l.token != "" {
		request.Header.Set("Authorization", "Bearer "+l.token)
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return nil, err
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if response.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s: answered %s", path, response.Status)
	}
	return body, nil
}

// address is where the log serves a tile: as the tlog package spells it, but for the height, which is always the
// same, and the name of what lies under level 0.
func address(t tlog.Tile) string {
	rest := strings.TrimPrefix(t.Path(), fmt.Sprintf("tile/%d/", height))
	return "tile/" + strings.Replace(rest, "data/", "entries/", 1)
}

// Height, ReadTiles and SaveTiles make it a tlog.TileReader.
func (l *log) Height() int { return height }

func (l *log) ReadTiles(tiles []tlog.Tile) ([][]byte, error) {
	all := make([][]byte, len(tiles))
	for i, t := range tiles {
		data, ok := l.tiles[t]
		if !ok {
			var err error
			if data, err = l.get(address(t)); err != nil {
				return nil, err
			}
			if len(data) != t.W*tlog.HashSize {
				return nil, fmt.Errorf("%s: %d bytes, not %d", address(t), len(data), t.W*tlog.HashSize)
			}
			l.tiles[t] = data
		}
		all[i] = data
	}
	return all, nil
}

func (l *log) SaveTiles([]tlog.Tile, [][]byte) {}

// fetched names the tiles read so far.
func (l *log) fetched() string {
	var names []string
	for t := range l.tiles {
		names = append(names, address(t))
	}
	sort.Strings(names)
	return strings.Join(names, ", ")
}
