from __future__ import annotations

import io
from hashlib import blake2s
from pathlib import Path

import pytest

from leadlight.commands import cli
from leadlight.commands.manifest import ProgressLine, size_in_words
from leadlight.errors import ConfigurationError
from leadlight.evening.manifest import Part
from leadlight.storage.files import read_manifest, write_manifest
from leadlight.storage.parts import build_manifest, check_parts, read_library, read_part
from leadlight.terms import ContentState

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """Two shows for two followers."""
    folder = tmp_path / "season"
    for show, jetty, ferry in (("Tidefall", b"tide" * 300_000, b"out"), ("Embers", b"glow", None)):
        (folder / show).mkdir(parents=True)
        (folder / show / "jetty.frames").write_bytes(jetty)
        if ferry is not None:
            (folder / show / "ferry").write_bytes(ferry)
        (folder / show / "show.toml").write_text('edition = "1"\nframe_rate = [40, 1]\nframe_count = 40\n')
    return folder


@pytest.fixture
def manifest(season: Path, capsys: Capture) -> Path:
    path = season.parent / "season.json"
    assert cli.main(["manifest", "build", str(season), "--out", str(path)]) == 0
    capsys.readouterr()
    return path


def test_build_lists_every_show_with_its_key(season: Path, tmp_path: Path, capsys: Capture) -> None:
    out = tmp_path / "season.json"
    assert cli.main(["manifest", "build", str(season), "--out", str(out)]) == 0
    read = read_manifest(out)
    header, embers, tidefall = capsys.readouterr().out.splitlines()
    assert header.split() == ["show", "edition", "frames", "a", "second", "parts", "size", "key"]
    assert embers.split() == ["Embers", "1", "40", "40", "1", "4", "B", f"{read.keys()['Embers']:016x}"]
    assert tidefall.split() == ["Tidefall", "1", "40", "40", "2", "1.2", "MB", f"{read.keys()['Tidefall']:016x}"]


def test_the_same_parts_give_the_same_file(season: Path, manifest: Path, tmp_path: Path) -> None:
    write_manifest(build_manifest(season), tmp_path / "again.json")
    assert (tmp_path / "again.json").read_bytes() == manifest.read_bytes()


def test_check_is_content_when_every_part_is_there(season: Path, manifest: Path, capsys: Capture) -> None:
    assert cli.main(["manifest", "check", str(manifest), str(season)]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "3 of 3 parts present"


def test_check_tells_a_missing_part_from_another_one(season: Path, manifest: Path, capsys: Capture) -> None:
    (season / "Embers" / "jetty.frames").unlink()
    (season / "Tidefall" / "ferry").write_bytes(b"OUT")
    assert cli.main(["manifest", "check", str(manifest), str(season)]) == 1
    rows = [line.split(maxsplit=3) for line in capsys.readouterr().out.splitlines()]
    assert rows == [
        ["follower", "show", "edition", "state"],
        ["ferry", "Tidefall", "1", "other edition"],
        ["jetty", "Embers", "1", "missing"],
        ["jetty", "Tidefall", "1", "present"],
        ["1", "of", "3", "parts present"],
    ]


@pytest.mark.parametrize(("content", "said"), [(b"outs", "1 byte longer"), (b"o", "2 bytes shorter")])
def test_check_tells_by_how_much_a_part_is_longer_or_shorter(
    content: bytes, said: str, season: Path, manifest: Path, capsys: Capture
) -> None:
    (season / "Tidefall" / "ferry").write_bytes(content)
    assert cli.main(["manifest", "check", str(manifest), str(season), "--follower", "ferry"]) == 1
    assert capsys.readouterr().out.splitlines()[1].split(maxsplit=3) == ["ferry", "Tidefall", "1", said]


def test_check_of_one_follower_needs_no_other_part(season: Path, manifest: Path, capsys: Capture) -> None:
    (season / "Tidefall" / "ferry").unlink()
    assert cli.main(["manifest", "check", str(manifest), str(season), "--follower", "jetty"]) == 0
    assert cli.main(["manifest", "check", str(manifest), str(season), "--follower", "ferry"]) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "JOB"),
        (["build", "{season}"], "--out"),
        (["build", "{season}/none", "--out", "{out}"], "No such file"),
        (["build", "{season}/Tidefall", "--out", "{out}"], "at least one show's folder"),
        (["build", "{season}", "--out", "{season}/none/out.json"], "No such file"),
        (["check", "{season}/none.json", "{season}"], "No such file"),
        (["check", "{season}/Tidefall/ferry", "{season}"], "JSON"),
        (["check", "{manifest}", "{season}", "--follower", "moon"], "one that the manifest lists: ferry, jetty"),
    ],
)
def test_trouble_is_one_line_and_exit_code_2(
    words: list[str], said: str, season: Path, manifest: Path, tmp_path: Path, capsys: Capture
) -> None:
    filled = [word.format(season=season, manifest=manifest, out=tmp_path / "out.json") for word in words]
    assert cli.main(["manifest", *filled]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line
    assert not (tmp_path / "out.json").exists()


def test_a_part_is_read_piece_by_piece(season: Path) -> None:
    pieces: list[int] = []
    part = read_part(season / "Tidefall" / "jetty.frames", pieces.append)
    content = b"tide" * 300_000
    assert part == Part(len(content), blake2s(content, digest_size=16).digest())
    assert len(pieces) == 5
    assert sum(pieces) == len(content)


def test_progress_ends_at_all_of_it(season: Path) -> None:
    told: list[tuple[int, int]] = []
    manifest = build_manifest(season, lambda done, total: told.append((done, total)))
    assert told[-1] == (1_200_007, 1_200_007)
    told.clear()
    check_parts(manifest, season, "jetty", lambda done, total: told.append((done, total)))
    assert told[-1] == (1_200_004, 1_200_004)


def test_a_part_of_another_size_is_not_read(season: Path, manifest: Path) -> None:
    (season / "Tidefall" / "jetty.frames").write_bytes(b"tide")
    told: list[int] = []
    states = check_parts(read_manifest(manifest), season, "jetty", lambda done, _total: told.append(done))
    assert states == {"Tidefall": ContentState.OTHER_EDITION, "Embers": ContentState.PRESENT}
    assert told == [4]  # the four bytes of the other show


def test_a_folder_that_is_not_there_is_a_missing_part(season: Path, manifest: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert check_parts(read_manifest(manifest), tmp_path / "empty", "ferry") == {"Tidefall": ContentState.MISSING}


def test_a_player_is_given_the_shows_whose_parts_are_as_listed(season: Path, manifest: Path) -> None:
    (season / "Tidefall" / "jetty.frames").write_bytes(b"tide")
    library = read_library(manifest, season, "jetty")
    listed = {entry.show: entry.stored for entry in read_manifest(manifest).shows}
    assert library.shows == (listed["Embers"],)
    assert library.state_of(listed["Tidefall"].key) is ContentState.OTHER_EDITION


def test_a_player_that_a_manifest_does_not_list_is_told_who_is(season: Path, manifest: Path) -> None:
    with pytest.raises(ConfigurationError, match="ferry, jetty"):
        read_library(manifest, season, "jety")


def test_names_compare_composed_whatever_the_file_system_hands_out(season: Path, tmp_path: Path) -> None:
    (season / "Embers").rename(season / "Cre\u0301puscule")  # an e and an accent
    manifest = build_manifest(season)
    assert [entry.show for entry in manifest.shows] == ["Cr\u00e9puscule", "Tidefall"]  # one letter
    assert check_parts(manifest, season, "jetty")["Cr\u00e9puscule"] is ContentState.PRESENT


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("jetty.old", b"x", "each name once; jetty.frames has it too"),
        ("gatehouse.frames", b"", "a file that is not empty"),
        ("show.toml", b"frame_rate = 40\nframe_count = 1", "show.toml: frame_rate: 40"),
        ("show.toml", b"\xff", "a text file in UTF-8"),
        ("gate\nhouse.frames", b"x", "printable text"),
    ],
)
def test_a_folder_that_cannot_be_a_show_is_refused(season: Path, name: str, content: bytes, said: str) -> None:
    (season / "Tidefall" / name).write_bytes(content)
    with pytest.raises(ConfigurationError) as caught:
        build_manifest(season)
    assert said in str(caught.value)
    assert "Tidefall" in str(caught.value)


def test_a_show_without_a_description_or_parts_is_refused(season: Path) -> None:
    (season / "Embers" / "jetty.frames").unlink()
    with pytest.raises(ConfigurationError, match="at least one follower's part"):
        build_manifest(season)
    (season / "Embers" / "show.toml").unlink()
    with pytest.raises(ConfigurationError, match=r"show.toml: .*No such file"):
        build_manifest(season)


def test_hidden_files_are_no_parts(season: Path, manifest: Path) -> None:
    (season / ".trash").mkdir()
    (season / "Tidefall" / ".jetty.frames.partial").write_bytes(b"x")
    assert build_manifest(season) == read_manifest(manifest)


def test_a_write_that_fails_leaves_the_old_manifest(season: Path, manifest: Path, tmp_path: Path) -> None:
    target = tmp_path / "folder"
    target.mkdir()
    with pytest.raises(ConfigurationError, match=r"manifest .*folder: Is a directory"):
        write_manifest(read_manifest(manifest), target)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder", "season", "season.json"]


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_is_one_line_on_a_terminal_that_goes_away() -> None:
    screen = Screen()
    with ProgressLine(screen, "jetty") as progress:
        for done in (1_000_000, 1_000_001, 2_000_000):
            progress.tell(done, 2_000_000)
    assert screen.getvalue() == "\r\x1b[Kjetty: 50 % of 2 MB\r\x1b[Kjetty: 100 % of 2 MB\r\x1b[K"


def test_progress_says_nothing_where_there_is_no_terminal() -> None:
    stream = io.StringIO()
    with ProgressLine(stream, "jetty") as progress:
        progress.tell(1, 2)
    assert stream.getvalue() == ""


@pytest.mark.parametrize(
    ("size_bytes", "words"),
    [(0, "0 B"), (999, "999 B"), (1_000, "1 kB"), (999_999, "1 MB"), (12_441_600, "12.4 MB"), (3 * 10**9, "3 GB")],
)
def test_a_size_is_told_in_words(size_bytes: int, words: str) -> None:
    assert size_in_words(size_bytes) == words
