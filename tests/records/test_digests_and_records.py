"""Digests are those of the standard, and a record says only what is so."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from leafledger.errors import StageFailure
from leafledger.records import digests as digests_module
from leafledger.records import store as store_module
from leafledger.records.digests import Code, FileDigests, sha256_of_bytes, sha256_of_file
from leafledger.records.record import (
    Job,
    Metric,
    Outcome,
    key_in,
    key_of,
    make_record,
    read_record,
    write_record,
)
from leafledger.records.store import ContentStore

CODE = Code("c" * 64, {"numpy": "2.0"})


def test_digests_are_those_of_the_standard(tmp_path: Path) -> None:
    """NIST FIPS 180-4 example messages: "abc", and one million times "a"."""
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    million = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
    assert sha256_of_bytes(b"abc") == abc
    path = tmp_path / "a"
    path.write_bytes(b"a" * 1_000_000)
    assert sha256_of_file(path) == million


class CountedReads:
    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.read: list[str] = []
        monkeypatch.setattr(digests_module, "sha256_of_file", self)

    def __call__(self, path: Path) -> str:
        self.read.append(path.name)
        return sha256_of_bytes(path.read_bytes())


def test_files_are_read_again_only_when_they_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads = CountedReads(monkeypatch)
    path = tmp_path / "raw.txt"
    path.write_bytes(b"one")
    first = FileDigests(tmp_path)
    assert first.of("raw.txt") == sha256_of_bytes(b"one")
    first.save()
    assert FileDigests(tmp_path).of("raw.txt") == sha256_of_bytes(b"one")
    assert reads.read == ["raw.txt"]


def test_a_file_given_back_its_size_and_date_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "raw.txt"
    path.write_bytes(b"one")
    stat = path.stat()
    known = FileDigests(tmp_path)
    known.of("raw.txt")
    known.save()
    other = tmp_path / "other.txt"
    other.write_bytes(b"two")
    os.utime(other, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    other.replace(path)
    assert path.stat().st_mtime_ns == stat.st_mtime_ns
    assert FileDigests(tmp_path).of("raw.txt") == sha256_of_bytes(b"two")


@pytest.mark.parametrize("text", ["", "[]", "{", '{"raw.txt": 3}', '{"raw.txt": [1, 2]}', "\x00"])
def test_a_damaged_cache_is_no_error(tmp_path: Path, text: str) -> None:
    (tmp_path / "raw.txt").write_bytes(b"one")
    cache = tmp_path / "ledger" / "cache" / "digests.json"
    cache.parent.mkdir(parents=True)
    cache.write_text(text, encoding="utf-8")
    assert FileDigests(tmp_path).of("raw.txt") == sha256_of_bytes(b"one")


def test_missing_files_have_no_digest(tmp_path: Path) -> None:
    assert FileDigests(tmp_path).of("nothing.txt") is None
    assert FileDigests(tmp_path).of(".") is None


def job(folder: Path) -> Job:
    (folder / "results").mkdir(exist_ok=True)
    return Job(
        rule="indices",
        session="day0",
        settings={"indices": {"use": ["NDVI"]}},
        inputs={"reflectance": folder / "results" / "in.csv"},
        outputs={"indices": folder / "results" / "out.csv", "figures": folder / "results/figures"},
        folder=folder,
    )


def done(folder: Path) -> dict[str, object]:
    work = job(folder)
    (folder / "results" / "in.csv").write_text("a\n", encoding="utf-8")
    (folder / "results" / "out.csv").write_text("b\n", encoding="utf-8")
    (folder / "results" / "figures").mkdir(exist_ok=True)
    (folder / "results" / "figures" / "one.svg").write_text("<svg/>", encoding="utf-8")
    inputs = {"reflectance": sha256_of_bytes(b"a\n")}
    return make_record(work, inputs, CODE, "0.1", Outcome([Metric("n", 3)], ["heed"], {"s": 1}))


def test_a_record_is_a_function_of_content_alone(tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "elsewhere" / "other"
    texts = []
    for folder in (one, other):
        folder.mkdir(parents=True)
        write_record(folder / "records" / "indices.day0.json", done(folder))
        texts.append((folder / "records" / "indices.day0.json").read_bytes())
    assert texts[0] == texts[1]
    record = json.loads(texts[0])
    assert [o["path"] for o in record["outputs"]] == ["results/figures/one.svg", "results/out.csv"]
    assert record["outputs"][1]["sha256"] == sha256_of_bytes(b"b\n")
    assert record["outputs"][1]["bytes"] == 2
    assert str(tmp_path) not in texts[0].decode()


def test_an_output_not_written_is_a_failure(tmp_path: Path) -> None:
    done(tmp_path)
    (tmp_path / "results" / "out.csv").unlink()
    with pytest.raises(StageFailure, match=r"did not write results/out\.csv"):
        make_record(job(tmp_path), {"reflectance": "0"}, CODE, "0.1", Outcome())


def test_every_part_of_a_task_changes_its_key() -> None:
    def key(
        rule: str = "indices",
        session: str | None = "day0",
        setting: object = 1,
        inputs: tuple[tuple[str, str], ...] = (("a", "1"), ("b", "2")),
        code: Code = CODE,
    ) -> str:
        return key_of(rule, session, {"x": setting}, dict(inputs), code)

    same = key()
    assert key(inputs=(("b", "2"), ("a", "1"))) == same
    others = [
        key(rule="effects"),
        key(session=None),
        key(session="day4"),
        key(setting=1.0),
        key(setting="1"),
        key(setting=True),
        key(inputs=(("a", "2"), ("b", "1"))),
        key(code=Code("d" * 64, {"numpy": "2.0"})),
        key(code=Code("c" * 64, {"numpy": "2.1"})),
    ]
    assert len({same, *others}) == len(others) + 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"record": 1', '"record": 2'),
        ('"outputs"', '"outputz"'),
        ('"bytes": 2', '"bytes": NaN'),
        ('"sha256": "cccc', '"sha25": "cccc'),
        ("{", "["),
    ],
)
def test_a_record_out_of_form_is_none(tmp_path: Path, old: str, new: str) -> None:
    path = tmp_path / "records" / "x.json"
    write_record(path, done(tmp_path))
    assert read_record(path) is not None
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    assert read_record(path) is None


def test_the_store_gives_back_byte_for_byte_or_nothing(tmp_path: Path) -> None:
    record = done(tmp_path)
    store = ContentStore(tmp_path)
    key = str(record["key"])
    assert store.restore(key) is None
    store.keep(record)
    out = tmp_path / "results" / "out.csv"
    out.write_text("edited\n", encoding="utf-8")
    (tmp_path / "results" / "figures" / "one.svg").unlink()
    assert store.restore(key) == record
    assert out.read_bytes() == b"b\n"
    assert (tmp_path / "results" / "figures" / "one.svg").read_bytes() == b"<svg/>"
    digest = sha256_of_bytes(b"b\n")
    kept = store.content(key, digest)
    assert kept is not None
    kept.write_bytes(b"damaged")
    assert store.content(key, digest) is None
    out.write_text("edited again\n", encoding="utf-8")
    assert store.restore(key) is None
    assert out.read_bytes() == b"edited again\n", "nothing is put in place of a damaged entry"
    assert store.entries() == []


def test_a_record_edited_by_hand_is_told_from_the_kept_one(tmp_path: Path) -> None:
    record = done(tmp_path)
    path = tmp_path / "records" / "indices.day0.json"
    write_record(path, record)
    store = ContentStore(tmp_path)
    assert not store.differs_from(str(record["key"]), path), "nothing kept: nothing to tell"
    store.keep(record)
    assert not store.differs_from(str(record["key"]), path)
    path.write_text(path.read_text("utf-8").replace('"heed"', '"all well"'), encoding="utf-8")
    assert store.differs_from(str(record["key"]), path)


def test_the_longest_unused_entry_goes_first(tmp_path: Path) -> None:
    store = ContentStore(tmp_path)
    record = done(tmp_path)
    keys = []
    for number in range(3):
        named = {**record, "key": f"sha256:{number:064x}"}
        store.keep(named)
        keys.append(named["key"])
    for age, (entry, _, _) in enumerate(sorted(store.entries())):
        os.utime(entry, (1000 + age, 1000 + age))
    size = store.entries()[0][1]
    assert store.restore(str(keys[0])) is not None, "using an entry makes it the newest"
    left = store.trim(2 * size)
    assert (left["removed"], left["entries"]) == (1, 2)
    assert [store.restore(str(key)) is not None for key in keys] == [True, False, True]
    assert store.trim(0)["entries"] == 0


def test_what_variants_share_goes_last_however_long_unused(tmp_path: Path) -> None:
    store = ContentStore(tmp_path)
    record = done(tmp_path)
    keys = [f"sha256:{number:064x}" for number in range(3)]
    for key in keys:
        store.keep({**record, "key": key})
    for age, (entry, _, _) in enumerate(sorted(store.entries())):
        os.utime(entry, (1000 + age, 1000 + age))
    size = store.entries()[0][1]
    left = store.trim(size, last=keys[:1])
    assert (left["removed"], left["removed_last"], left["entries"]) == (2, 0, 1)
    assert [store.restore(key) is not None for key in keys] == [True, False, False]
    assert store.trim(0, last=keys[:1])["removed_last"] == 1, "the bound stands all the same"


# --- large tables of spectra ----------------------------------------------------------------------


@pytest.fixture
def large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[ContentStore, dict, Path]:
    """Return a store, the record of a result with one large table, and the table."""
    monkeypatch.setattr(store_module, "_LARGE_BYTES", 4)
    place = tmp_path / "results" / "reflectance" / "day0.parquet"
    place.parent.mkdir(parents=True)
    place.write_bytes(b"spectra")
    small = tmp_path / "results" / "out.csv"
    small.write_bytes(b"b\n")
    outputs = [
        {"role": role, "path": path.relative_to(tmp_path).as_posix(), "bytes": len(data)}
        | {"sha256": sha256_of_bytes(data)}
        for role, path, data in (("spectra", place, b"spectra"), ("out", small, b"b\n"))
    ]
    record = {**done(tmp_path), "outputs": outputs}
    record["key"] = key_in(record)
    return ContentStore(tmp_path), record, place


def held(store: ContentStore) -> list[bytes]:
    files = [path for path in store.root.rglob("*") if path.is_file()]
    return sorted(path.read_bytes() for path in files if path.name != "record.json")


def test_a_large_table_is_never_there_twice(large: tuple[ContentStore, dict, Path]) -> None:
    store, record, place = large
    store.keep(record)
    assert held(store) == [b"b\n"]
    store.set_aside(record)
    assert not place.exists()
    assert held(store) == [b"b\n", b"spectra"]
    place.write_bytes(b"another version")
    assert store.restore(record["key"]) == record
    assert place.read_bytes() == b"spectra"
    assert held(store) == [b"b\n"]
    assert store.restore(record["key"]) == record, "in place it is as good as kept"
    store.set_aside(record)
    place.write_bytes(b"spectra")
    store.keep(record)
    assert held(store) == [b"b\n"], "made again meanwhile"


def test_a_large_table_that_was_edited_is_neither_moved_nor_taken_for_kept(
    large: tuple[ContentStore, dict, Path],
) -> None:
    store, record, place = large
    store.keep(record)
    place.write_bytes(b"Spectra")
    store.set_aside(record)
    assert place.read_bytes() == b"Spectra"
    said: list[str] = []
    assert store.restore(record["key"], say=said.append) is None
    assert place.read_bytes() == b"Spectra"
    assert said == [], "nothing in the store is damaged"
    assert store.entries() == []


def test_a_large_table_that_was_changed_in_the_store_is_not_put_back(
    large: tuple[ContentStore, dict, Path],
) -> None:
    store, record, place = large
    store.keep(record)
    store.set_aside(record)
    digest = sha256_of_bytes(b"spectra")
    next(store.root.rglob(digest)).write_bytes(b"Spectra")
    said: list[str] = []
    assert store.restore(record["key"], say=said.append) is None
    assert not place.exists()
    assert "gone or was changed" in said[0]


def test_a_kill_between_two_moves_loses_nothing(
    large: tuple[ContentStore, dict, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    store, record, place = large
    store.keep(record)
    store.set_aside(record)
    monkeypatch.setattr(store_module.shutil, "copyfile", killed)
    with pytest.raises(KeyboardInterrupt):
        store.restore(record["key"])
    monkeypatch.undo()
    monkeypatch.setattr(store_module, "_LARGE_BYTES", 4)
    assert store.restore(record["key"]) == record
    assert place.read_bytes() == b"spectra"


def test_without_an_entry_a_large_table_stays(large: tuple[ContentStore, dict, Path]) -> None:
    store, record, place = large
    store.set_aside(record)
    assert place.read_bytes() == b"spectra"
