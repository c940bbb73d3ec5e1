from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.merkle.tile import (
    FULL,
    MAX_ENTRY_SIZE,
    Bundle,
    Tile,
    TileError,
    bundles,
    decode_bundle,
    encode_bundle,
    parse_path,
    tiles,
)
from service.merkle.tree import leaf_hash, node_count, node_hash
from tests.merkle.reference import mth
from tests.merkle.static_log import StaticLog, recorded

indexes = st.integers(0, 2**63 - 1) | st.integers(0, 2_000_000)
widths = st.integers(1, 256)
named = st.builds(Tile, st.integers(0, 63), indexes, widths) | st.builds(Bundle, indexes, widths)


def malformed(reason):
    return pytest.raises(TileError, check=lambda error: error.reason == reason)


class TestPaths:
    @pytest.mark.parametrize(
        ("path", "tile"),
        [
            ("0/x001/x234/067", Tile(0, 1_234_067)),  # C2SP tlog-tiles: the index of its example
            ("0/000", Tile(0, 0)),
            ("0/999", Tile(0, 999)),
            ("0/x001/000", Tile(0, 1000)),
            ("0/273.p/112", Tile(0, 273, 112)),
            ("63/x009/x223/x372/x036/x854/x775/807", Tile(63, 2**63 - 1)),
            ("entries/000.p/1", Bundle(0, 1)),
            ("entries/x001/x234/067", Bundle(1_234_067)),
            ("entries/x070/000.p/255", Bundle(70_000, 255)),
        ],
    )
    def test_a_path_and_the_tile_it_names(self, path, tile):
        assert parse_path(path) == tile
        assert tile.path == path

    @settings(deadline=None, max_examples=200)
    @given(named)
    def test_every_tile_and_bundle_has_a_path_that_names_it_alone(self, tile):
        assert parse_path(tile.path) == tile

    @settings(deadline=None, max_examples=300)
    @given(
        st.text(st.sampled_from("0123x/.p"), max_size=14)
        | st.from_regex(r"\A[0-9]/(x[0-9]{3}/)?[0-9]{3}(\.p/[0-9]+)?\Z")
    )
    def test_a_path_that_is_read_is_written_the_same(self, path):
        try:
            tile = parse_path(path)
        except TileError:
            return
        assert tile.path == path

    @pytest.mark.parametrize(
        ("lie", "path"),
        [
            ("level-with-leading-zero", "00/000"),
            ("level-64", "64/000"),
            ("level-100", "100/000"),
            ("negative-level", "-1/000"),
            ("no-level", "/000"),
            ("data-in-the-place-of-entries", "data/000"),
            ("index-unpadded", "0/1"),
            ("index-of-four-digits", "0/1234"),
            ("x-on-the-last-element", "0/x000"),
            ("no-x-on-the-first-element", "0/001/000"),
            ("leading-zero-element", "0/x000/001"),
            ("index-past-63-bits", "0/x009/x223/x372/x036/x854/x775/808"),
            ("index-without-end", "0/" + "x001/" * 40 + "000"),
            ("width-0", "0/000.p/0"),
            ("width-with-leading-zero", "0/000.p/01"),
            ("full-width-written-out", "0/000.p/256"),
            ("width-999", "0/000.p/999"),
            ("width-of-four-digits", "0/000.p/1000"),
            ("no-width", "0/000.p/"),
            ("no-width-and-no-slash", "0/000.p"),
            ("slash-at-the-end", "0/000/"),
            ("slash-at-the-start", "/0/000"),
            ("newline-at-the-end", "0/000\n"),
            ("capital-x", "0/X001/000"),
            ("digits-not-ascii", "0/٠٠٠"),
            ("with-the-prefix", "tile/0/000"),
            ("dots", "0/../000"),
            ("bundle-with-level", "entries/0/000"),
            ("empty", ""),
        ],
    )
    def test_another_spelling_is_refused(self, lie, path):
        with malformed("malformed_path"):
            parse_path(path)
        assert lie

    @pytest.mark.parametrize(
        "impossible", [(64, 0, 1), (-1, 0, 1), (0, -1, 1), (0, 2**63, 1), (0, 0, 0), (0, 0, 257), (0, 0, -1)]
    )
    def test_a_tile_outside_the_ranges_cannot_be_asked_for(self, impossible):
        with pytest.raises(ValueError, match="tile"):
            Tile(*impossible)


class TestWhichTilesATreeHas:
    def test_seventy_thousand_entries(self):
        # C2SP tlog-tiles: its example.
        cut = list(tiles(70_000))
        assert Counter((tile.level, tile.width) for tile in cut) == {
            (0, 256): 273,
            (0, 112): 1,
            (1, 256): 1,
            (1, 17): 1,
            (2, 1): 1,
        }
        assert [tile.path for tile in cut if tile.width < FULL] == ["0/273.p/112", "1/001.p/17", "2/000.p/1"]
        assert [bundle.path for bundle in bundles(70_000)][-2:] == ["entries/272", "entries/273.p/112"]

    @pytest.mark.parametrize(
        ("size", "paths"),
        [
            (0, []),
            (1, ["0/000.p/1"]),
            (255, ["0/000.p/255"]),
            (256, ["0/000", "1/000.p/1"]),  # C2SP tlog-tiles: its other example
            (257, ["0/000", "0/001.p/1", "1/000.p/1"]),
            (512, ["0/000", "0/001", "1/000.p/2"]),
        ],
    )
    def test_small_trees(self, size, paths):
        assert [tile.path for tile in tiles(size)] == paths
        assert [bundle.path for bundle in bundles(size)] == [
            path.replace("0/", "entries/", 1) for path in paths if path.startswith("0/")
        ]

    def test_a_tree_of_a_power_of_256_ends_in_one_hash_on_the_level_above(self):
        assert [tile.path for tile in tiles(256**2)][256:] == ["1/000", "2/000.p/1"]

    @settings(deadline=None, max_examples=100)
    @given(st.integers(0, 200_000))
    def test_a_partial_tile_is_as_wide_as_the_standards_formula_says(self, size):
        # C2SP tlog-tiles: floor(s / 256^l) mod 256 on level l.
        partial = {tile.level: tile.width for tile in tiles(size) if tile.width < FULL}
        assert partial == {level: width for level in range(4) if (width := size // 256**level % 256)}

    @settings(deadline=None, max_examples=100)
    @given(st.integers(0, 200_000))
    def test_bundles_cover_every_entry_once_in_order(self, size):
        assert [index for bundle in bundles(size) for index in bundle.leaves] == list(range(size))

    @settings(deadline=None, max_examples=200)
    @given(st.integers(0, 200_000), st.data())
    def test_a_tile_fits_exactly_when_all_its_hashes_are_in_the_store(self, size, data):
        tile = data.draw(st.builds(Tile, st.integers(0, 3), st.integers(0, 800), widths))
        assert tile.fits(size) == (tile.positions[-1] < node_count(size))
        bundle = Bundle(tile.index, tile.width)
        assert bundle.fits(size) == (bundle.leaves[-1] < size)

    @settings(deadline=None, max_examples=50)
    @given(st.integers(1, 200_000))
    def test_every_tile_a_tree_has_fits_it_and_none_is_wider_than_it_could_be(self, size):
        for tile in tiles(size):
            assert tile.fits(size)
            assert tile.width == FULL or not Tile(tile.level, tile.index, tile.width + 1).fits(size)

    def test_a_tile_served_for_an_earlier_checkpoint_still_fits_and_a_later_one_does_not_yet(self):
        assert Tile(0, 0, 100).fits(200)
        assert not Tile(0, 0, 201).fits(200)
        assert not Tile(0, 0).fits(255)
        assert Tile(0, 0).fits(256)
        assert not Tile(63, 0, 1).fits(2**63 - 1)


def test_the_hashes_of_a_tile_are_the_roots_of_the_subtrees_the_standard_names():
    # C2SP tlog-tiles: hash i of tile n on level l is MTH(D[(256n + i)·256^l : (256n + i + 1)·256^l]).
    log = StaticLog(recorded(1100))
    for tile in tiles(1100):
        for i, node in enumerate(log.read(tile.positions)):
            start = (256 * tile.index + i) * 256**tile.level
            assert node == mth(log.entries[start : start + 256**tile.level])


def test_a_full_tile_hashes_to_one_hash_of_the_tile_above():
    log = StaticLog(recorded(600))
    above = log.read(Tile(1, 0, 2).positions)
    for index in range(2):
        row = log.read(Tile(0, index).positions)
        assert len(b"".join(row)) == 8192
        while len(row) > 1:
            row = [node_hash(*pair) for pair in zip(row[::2], row[1::2], strict=True)]
        assert row == [above[index]]


class TestBundles:
    def test_each_entry_stands_after_its_length_in_two_bytes(self):
        assert encode_bundle([b"ab", b"", b"c" * 258]) == b"\x00\x02ab\x00\x00\x01\x02" + b"c" * 258

    @settings(deadline=None, max_examples=100)
    @given(st.lists(st.binary(max_size=300), min_size=1, max_size=256))
    def test_a_bundle_reads_back_as_its_entries(self, entries):
        assert decode_bundle(encode_bundle(entries), len(entries)) == entries

    def test_entries_in_a_bundle_hash_to_the_level_0_tile_beside_it(self):
        log = StaticLog(recorded(300))
        files = log.files()
        entries = decode_bundle(files["tile/entries/001.p/44"], 44)
        assert b"".join(map(leaf_hash, entries)) == files["tile/0/001.p/44"]

    def test_the_longest_entry_fits_and_one_byte_more_does_not(self):
        assert decode_bundle(encode_bundle([bytes(MAX_ENTRY_SIZE)] * 2), 2) == [bytes(65_535)] * 2
        with pytest.raises(ValueError, match="65535"):
            encode_bundle([b"", bytes(MAX_ENTRY_SIZE + 1)])

    @pytest.mark.parametrize("count", [0, 257])
    def test_a_bundle_holds_one_to_256_entries(self, count):
        with pytest.raises(ValueError, match="wide"):
            encode_bundle([b"a"] * count)

    @pytest.mark.parametrize(
        ("lie", "data"),
        [
            ("empty", b""),
            ("one-entry-missing", b"\x00\x01a"),
            ("one-entry-more", b"\x00\x01a\x00\x01b\x00\x01c"),
            ("breaks-off-in-an-entry", b"\x00\x01a\x00\x02b"),
            ("breaks-off-before-an-entry", b"\x00\x01a\x00\x01"),
            ("breaks-off-in-a-length", b"\x00\x01a\x00"),
            ("bytes-after-the-last", b"\x00\x01a\x00\x01b\x00"),
        ],
    )
    def test_a_bundle_that_lies_about_its_width_or_breaks_off_is_refused(self, lie, data):
        with malformed("malformed_bundle"):
            decode_bundle(data, 2)
        assert lie
