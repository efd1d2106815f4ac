"""A bundle in which nothing can be changed unseen: random bytes, cut ends, exchanged and renamed files, other tars."""

import hashlib
import os
import random
import shutil
import subprocess
import tarfile
from collections.abc import Callable
from pathlib import Path

import pytest

from sdrcheck.errors import VisitError
from sdrcheck.evidence import bundle, manifest, signing
from sdrcheck.evidence.verify import Harm, unpack, verify
from tests.visits import made


def visit_folder(path: Path) -> Path:
    folder = made.folder_with_visit(path)
    (folder / "recordings").mkdir()
    noise = random.Random(1).randbytes(300_000)
    (folder / "recordings" / "x.sigmf-data").write_bytes(noise)
    (folder / "recordings" / "y.sigmf-data").write_bytes(noise[::-1])
    (folder / "recordings" / "x.sigmf-meta").write_text("{}", encoding="utf-8")
    made.file_try(folder, "vhf-1/ch16-high", made.inspection(made.carrier("16", 156.8e6)))
    return folder


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("key") / "surveyor.key"
    signing.make_key(path)
    return path


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory, key: Path) -> bundle.Packed:
    folder = visit_folder(tmp_path_factory.mktemp("visit") / "v")
    return bundle.pack(folder, folder.parent / "out", key=signing.read_key(key), now=made.NOW)


@pytest.fixture
def archive(packed: bundle.Packed, tmp_path: Path) -> Path:
    return Path(shutil.copy(packed.archive, tmp_path / "copy.tar"))


@pytest.fixture
def folder(packed: bundle.Packed, tmp_path: Path) -> Path:
    assert packed.folder is not None
    return Path(shutil.copytree(packed.folder, tmp_path / packed.folder.name))


def harms(path: Path) -> set[tuple[Harm, str]]:
    return {(fault.harm, fault.name) for fault in verify(path).faults}


def test_a_bundle_as_packed_is_whole(packed: bundle.Packed, key: Path) -> None:
    public = signing.read_public_key(str(key) + ".pub")
    for path in (packed.archive, packed.folder):
        assert path is not None
        found = verify(path, signer=public)
        assert found.whole, found.faults
        assert found.signed_by == public
        assert found.files == len(packed.manifest.entries)


def test_the_manifest_can_be_checked_without_this_program(folder: Path) -> None:
    """GNU sha512sum knows nothing of sdrcheck."""
    if shutil.which("sha512sum") is None:
        pytest.skip("sha512sum is not installed")
    checked = subprocess.run(
        ["sha512sum", "--strict", "-c", "MANIFEST.txt"], cwd=folder, capture_output=True, text=True, check=False
    )
    assert checked.returncode == 0, checked.stderr
    (folder / "visit.toml").write_bytes(b"x")
    assert subprocess.run(["sha512sum", "-c", "MANIFEST.txt"], cwd=folder, capture_output=True, check=False).returncode


def test_the_archive_is_an_ordinary_tar(packed: bundle.Packed, folder: Path) -> None:
    with tarfile.open(packed.archive) as tar:
        inside = {member.name.split("/", 1)[1]: tar.extractfile(member).read() for member in tar}  # type: ignore[union-attr]
    outside = {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert inside == outside


def test_packing_the_same_visit_twice_gives_the_same_bytes(packed: bundle.Packed, tmp_path: Path, key: Path) -> None:
    again = bundle.pack(visit_folder(tmp_path / "v"), tmp_path / "out", key=signing.read_key(key), now=made.NOW)
    assert again.archive.read_bytes() == packed.archive.read_bytes()


def flip(path: Path, at: int, generator: random.Random) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        old = file.read(1)[0]
        file.seek(at)
        file.write(bytes([(old + generator.randrange(1, 256)) % 256]))


def test_200_of_200_random_one_byte_changes_in_the_archive_are_found(archive: Path, packed: bundle.Packed) -> None:
    """Anywhere: manifest, signature, headings, filling, end. Half of them are aimed at what lies around the files."""
    generator = random.Random(200)
    size = archive.stat().st_size
    around = [*range(30_000), *range(size - 5000, size)]
    found = 0
    for number in range(200):
        at = generator.choice(around) if number % 2 else generator.randrange(size)
        flip(archive, at, generator)
        try:
            found += not verify(archive).whole
        except VisitError:
            found += 1  # not even a bundle any more, and it says so
        shutil.copy(packed.archive, archive)
    assert found == 200


def test_200_of_200_random_one_byte_changes_in_the_folder_are_found_and_named(folder: Path) -> None:
    generator = random.Random(201)
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    for _ in range(200):
        path = generator.choice(files)
        before = path.read_bytes()
        flip(path, generator.randrange(len(before)), generator)
        faults = verify(folder).faults
        assert path.relative_to(folder).as_posix() in {fault.name for fault in faults}
        path.write_bytes(before)
    assert verify(folder).whole


def test_a_changed_byte_is_placed_within_its_block(folder: Path) -> None:
    path = folder / "recordings" / "x.sigmf-data"
    flip(path, 123_456, random.Random(3))
    (fault,) = verify(folder).faults
    assert fault.sentence == "recordings/x.sigmf-data was changed between bytes 122880 to 126975"
    assert 122_880 <= 123_456 <= 126_975


X, Y = "recordings/x.sigmf-data", "recordings/y.sigmf-data"


def _cut(path: Path) -> None:
    with path.open("r+b") as file:
        file.truncate(200_000)


def _exchange(one: Path, two: Path) -> None:
    one.rename(one.with_suffix(".t"))
    two.rename(one)
    one.with_suffix(".t").rename(two)


@pytest.mark.parametrize(
    ("harm", "expected"),
    [
        (lambda f: (f / X).unlink(), {(Harm.MISSING, X)}),
        (lambda f: _cut(f / X), {(Harm.CUT, X)}),
        (lambda f: (f / X).write_bytes((f / X).read_bytes() + b"\0"), {(Harm.CHANGED, X)}),
        (lambda f: (f / X).rename(f / "recordings/z"), {(Harm.RENAMED, X)}),
        (lambda f: _exchange(f / X, f / Y), {(Harm.EXCHANGED, X)}),
        (lambda f: (f / "recordings/extra").write_bytes(b"x"), {(Harm.ADDED, "recordings/extra")}),
        (lambda f: (f / "empty").mkdir(), {(Harm.ADDED, "empty")}),
        (lambda f: (f / "recordings/link").symlink_to("x.sigmf-data"), {(Harm.ADDED, "recordings/link")}),
        (lambda f: (f / "SIGNATURE.txt").unlink(), {(Harm.SIGNATURE, "SIGNATURE.txt")}),
    ],
)
def test_what_was_done_to_a_folder_is_named(
    folder: Path, harm: Callable[[Path], object], expected: set[tuple[Harm, str]]
) -> None:
    harm(folder)
    assert harms(folder) == expected


def _rewritten(archive: Path, change: Callable[[list[tuple[tarfile.TarInfo, bytes]]], None]) -> None:
    """Write the archive anew with an ordinary tar library, members changed."""
    with tarfile.open(archive) as tar:
        members = [(member, tar.extractfile(member).read()) for member in tar]  # type: ignore[union-attr]
    change(members)
    with tarfile.open(archive, "w", format=tarfile.USTAR_FORMAT) as tar:
        import io

        for member, data in members:
            member.size = len(data)
            tar.addfile(member, io.BytesIO(data))


def _place(members: list[tuple[tarfile.TarInfo, bytes]], name: str) -> int:
    return next(place for place, (member, _) in enumerate(members) if member.name.endswith(name))


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda m: m.pop(_place(m, X)), (Harm.MISSING, X)),
        (lambda m: m.insert(3, (tarfile.TarInfo("x/extra"), b"new")), (Harm.ADDED, "x/extra")),
        (lambda m: setattr(m[_place(m, X)][0], "name", "b/renamed"), (Harm.RENAMED, X)),
        (lambda m: m.append(m.pop(_place(m, X))), (Harm.CONTAINER, "archive")),
        (
            lambda m: m.__setitem__(_place(m, X), (m[_place(m, X)][0], m[_place(m, X)][1][:1000])),
            (Harm.CUT, X),
        ),
    ],
)
def test_what_was_done_to_an_archive_with_another_program_is_named(
    archive: Path, change: Callable[[list[tuple[tarfile.TarInfo, bytes]]], None], expected: tuple[Harm, str]
) -> None:
    _rewritten(archive, change)
    assert expected in harms(archive)


def test_two_exchanged_files_in_an_archive(archive: Path, packed: bundle.Packed) -> None:
    def exchange(members: list[tuple[tarfile.TarInfo, bytes]]) -> None:
        one, two = _place(members, X), _place(members, Y)
        members[one], members[two] = (members[one][0], members[two][1]), (members[two][0], members[one][1])

    _rewritten(archive, exchange)
    assert (Harm.EXCHANGED, X) in harms(archive)


@pytest.mark.parametrize("left", [0.999, 0.9, 0.5, 0.2])
def test_an_archive_cut_anywhere_says_how_much_is_left(archive: Path, left: float) -> None:
    size = archive.stat().st_size
    os.truncate(archive, int(size * left))
    sentences = [fault.sentence for fault in verify(archive).faults]
    assert f"the archive was cut short: {int(size * left)} of {size} bytes are left" in sentences
    assert any("missing" in sentence or "cut" in sentence for sentence in sentences)


def test_bytes_behind_the_end_are_found(archive: Path) -> None:
    with archive.open("ab") as file:
        file.write(b"\0" * 512)
    assert any("512 bytes more" in fault.sentence for fault in verify(archive).faults)


def test_a_forger_who_mends_the_manifest_is_caught_by_the_signature(folder: Path) -> None:
    """Whoever can change files can also write a new manifest and seal; only the key cannot be had."""
    data = b"forged"
    (folder / "visit.toml").write_bytes(data)
    read = manifest.read((folder / "MANIFEST.txt").read_bytes()).manifest
    entries = tuple(manifest.summed(e.name, 6, [data]) if e.name == "visit.toml" else e for e in read.entries)
    forged = manifest.Manifest(read.bundle, read.made, read.signed_by, entries)
    (folder / "MANIFEST.txt").write_bytes(forged.text())
    assert harms(folder) == {(Harm.SIGNATURE, "SIGNATURE.txt")}
    own = manifest.Manifest(read.bundle, read.made, manifest.NOBODY, entries)
    (folder / "MANIFEST.txt").write_bytes(own.text())
    (folder / "SIGNATURE.txt").unlink()
    assert verify(folder).whole  # unsigned, and nothing outside the bundle to hold it against …
    assert verify(folder, signer=signing.read_public_key("ed25519 " + "ab" * 32)).faults  # … but the key that was asked
    assert own.seal != read.seal  # … or the seal on paper


def test_another_key_does_not_pass(packed: bundle.Packed) -> None:
    found = verify(packed.archive, signer="ab" * 32)
    assert [fault.harm for fault in found.faults] == [Harm.SIGNATURE]


def test_unpacking_gives_the_files_and_refuses_a_damaged_bundle(archive: Path, tmp_path: Path) -> None:
    out = unpack(archive, tmp_path / "un")
    assert (out / "visit.toml").read_text(encoding="utf-8") == made.VISIT
    flip(archive, 200_000, random.Random(5))
    with pytest.raises(VisitError, match="is not whole"):
        unpack(archive, tmp_path / "un2")


def test_ways_out_of_the_folder_are_never_unpacked(tmp_path: Path) -> None:
    """A bundle made by hand, its sums all right, with a name that climbs."""
    data = b"owned"
    evil = manifest.Manifest("b", "now", manifest.NOBODY, (manifest.summed("../../evil", len(data), [data]),))
    archive = tmp_path / "evil.tar"
    with archive.open("wb") as out:
        for name, content in ((manifest.NAME, evil.text()), ("../../evil", data)):
            out.write(bundle.heading("b", name, len(content)) + content + bundle.filling(len(content)))
        out.write(bundle.END)
    with pytest.raises(VisitError, match="no name that a bundle can hold"):
        unpack(archive, tmp_path / "un")
    assert not (tmp_path / "evil").exists()
    assert not (tmp_path.parent / "evil").exists()


def test_names_that_could_hurt_are_made_harmless_when_packed(tmp_path: Path) -> None:
    source = visit_folder(tmp_path / "v")
    (source / "photos").mkdir()
    (source / "photos" / "a\u202egpj.exe").write_bytes(b"1")
    (source / "photos" / "=cmd|calc.jpg").write_bytes(b"2")
    (source / "photos" / "out").symlink_to("/etc/passwd")
    made_here = bundle.pack(source, tmp_path / "out", now=made.NOW)
    names = [entry.name for entry in made_here.manifest.entries]
    assert all(manifest.SAFE_NAME.fullmatch(name) for name in names)
    assert "photos/agpj.exe" in names
    assert not any("passwd" in name or name.endswith("/out") for name in names)
    assert any("U+202E" in remark for remark in made_here.remarks)
    assert verify(made_here.archive).whole


def test_a_bundle_is_never_overwritten_and_never_packs_itself(tmp_path: Path) -> None:
    source = visit_folder(tmp_path / "v")
    bundle.pack(source, source / "bundles", now=made.NOW)
    with pytest.raises(VisitError, match="never overwritten"):
        bundle.pack(source, source / "bundles", now=made.NOW)
    later = bundle.pack(source, tmp_path / "out", now=made.NOW)
    assert any(entry.name.startswith("bundles/") for entry in later.manifest.entries)  # an earlier one is evidence too
    within = bundle.pack(source, source / "bundles" / "second", now=made.NOW)
    assert not any("second" in entry.name for entry in within.manifest.entries)


@pytest.mark.parametrize("content", [b"", b"not a tar", b"\0" * 4096, random.Random(7).randbytes(2048)])
def test_what_is_no_bundle_is_said_in_a_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.tar"
    path.write_bytes(content)
    with pytest.raises(VisitError, match="no manifest in it"):
        verify(path)
    with pytest.raises(VisitError):
        verify(tmp_path)
    with pytest.raises(VisitError, match="no bundle at"):
        verify(tmp_path / "absent")


def test_the_seal_is_the_sum_of_the_lines_above_it(packed: bundle.Packed) -> None:
    text = packed.manifest.text()
    body, _, seal = text.rpartition(b"# seal: ")
    assert hashlib.sha512(body).hexdigest() == seal.decode().strip() == packed.manifest.seal
