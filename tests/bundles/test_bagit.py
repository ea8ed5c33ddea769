"""The texts of bags, by RFC 8493 and the drafts before it: what each version lets pass, notes and refuses."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.bagcheck import judge
from mediaprep.bagit import (
    Bag,
    FetchItem,
    Severity,
    declaration_text,
    decode_path,
    encode_path,
    info_text,
    is_text_of_bag,
    manifest_text,
    read_bag,
)
from mediaprep.checksums import ListedFile
from mediaprep.errors import BagInvalid
from mediaprep.model import Algorithm

SHA256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-4 example "abc"
OTHER = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"  # and of the empty message
MD5 = "900150983cd24fb0d6963f7d28e17f72"  # RFC 1321, appendix A.5: "abc"
OLD = ["0.93", "0.94", "0.95", "0.96", "0.97"]


def bag(version: str = "1.0", **texts: str) -> Bag:
    """Read a bag of one file, `data/a`; keywords put texts in or in the place of others, `_` for `-`, without .txt."""
    whole = {
        "bagit.txt": f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n",
        "manifest-sha256.txt": f"{SHA256}  data/a\n",
    } | {f"{name.replace('_', '-')}.txt": text for name, text in texts.items()}
    return read_bag({name: text.encode() for name, text in whole.items()})


def faults(of: Bag, present: dict[str, int] | None = None) -> list[tuple[str, str]]:
    _, found = judge(of, {"data/a": 3} if present is None else present)
    return [(fault.severity.value, str(fault)) for fault in found]


# --- bagit.txt -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("version", [*OLD, "1.0"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_version_and_line_end_is_read(version: str, end: str) -> None:
    read = bag(
        version,
        bagit=f"BagIt-Version: {version}{end}Tag-File-Character-Encoding: UTF-8{end}",
        manifest_sha256=f"{SHA256} data/a{end}",
    )
    assert read.version == tuple(map(int, version.split(".")))
    assert read.encoding == "utf-8"
    assert faults(read) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "does not say"),
        ("BagIt-Version: 1.0\n", "does not say"),
        ("Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n", "does not say"),
        ("BagIt-Version: x.y\nTag-File-Character-Encoding: UTF-8\n", "does not say"),
        ("BagIt-Version: 2.0\nTag-File-Character-Encoding: UTF-8\n", "version 2.0, which is not known"),
        ("BagIt-Version: 0.90\nTag-File-Character-Encoding: UTF-8\n", "version 0.90"),
        ("BagIt-Version: 1.0\nTag-File-Character-Encoding: WTF-8\n", "encoding WTF-8"),
        ("BagIt-Version: 1.0\nTag-File-Character-Encoding: rot13\n", "encoding rot13"),
        ("BagIt-Version: 1.0\nTag-File-Character-Encoding: unicode_escape\n", "encoding unicode_escape"),
    ],
)
def test_a_declaration_that_says_nothing_usable_ends_it(text: str, said: str) -> None:
    with pytest.raises(BagInvalid, match=f"^bagit.txt .*{said}"):
        bag(bagit=text)


def test_a_folder_without_a_declaration_is_no_bag() -> None:
    with pytest.raises(BagInvalid, match=r"bagit\.txt is missing"):
        read_bag({"manifest-sha256.txt": b""})


@pytest.mark.parametrize(
    "text",
    [
        "BagIt-Version : {}\nTag-File-Character-Encoding: UTF-8",
        "BagIt-Version:{}\nTag-File-Character-Encoding :  UTF-8",
    ],
)
def test_blanks_around_the_colon_are_a_fault_from_1_0_on(text: str) -> None:
    """As the public conformance suite has it: v1.0/invalid/bagit-with-invalid-whitespace."""
    assert faults(bag("1.0", bagit=text.format("1.0"))) == [
        ("form", "bagit.txt has blanks around a colon that are not one blank after it")
    ]
    assert faults(bag("0.97", bagit=text.format("0.97"))) == []


def test_a_byte_order_mark_and_further_lines_are_faults_of_form() -> None:
    assert faults(bag(bagit="\ufeff" + declaration_text())) == [("form", "bagit.txt starts with a byte order mark")]
    assert faults(bag(bagit=declaration_text() + "More: yes\n")) == [("form", "bagit.txt has more than two lines")]


@pytest.mark.parametrize("encoding", ["UTF-16", "UTF-16LE", "UTF-32", "ISO-8859-1", "windows-1252"])
def test_other_texts_are_in_the_encoding_that_is_named(encoding: str) -> None:
    texts = {
        "bagit.txt": f"BagIt-Version: 0.97\nTag-File-Character-Encoding: {encoding}\n".encode(),
        "manifest-sha256.txt": f"{SHA256}  data/ü\n".encode(encoding),
        "bag-info.txt": "Contact: Jürgen\n".encode(encoding),
    }
    read = read_bag(texts)
    assert read.info == (("Contact", "Jürgen"),)
    assert faults(read, {"data/ü": 1}) == []


def test_a_text_that_is_not_in_its_encoding_is_named() -> None:
    with pytest.raises(BagInvalid, match=r"bag-info\.txt is not text in utf-8: byte 3 cannot be read"):
        read_bag({"bagit.txt": declaration_text().encode(), "bag-info.txt": b"ab\xff"})


# --- manifests -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("blank", [" ", "  ", "\t", " \t "])
@pytest.mark.parametrize("digest", [SHA256, SHA256.upper()])
def test_blanks_and_case_of_digits_do_not_matter(blank: str, digest: str) -> None:
    assert bag(manifest_sha256=f"{digest}{blank}data/a").payload[0].lines == (
        ListedFile("data/a", Algorithm.SHA256, SHA256),
    )


@pytest.mark.parametrize("before", ["*", "./", "*./"])
def test_what_checksum_programs_put_before_a_name_is_taken_off(before: str) -> None:
    """As the suite has it: v0.97/warning/made-with-md5sum-tools."""
    text = f"{SHA256}  {before}data/a"
    said = "manifest-sha256.txt line 1 has '*' or './' before the path"
    assert faults(bag("0.97", manifest_sha256=text)) == [("note", said)]
    assert faults(bag("1.0", manifest_sha256=text)) == [("form", said)]


@pytest.mark.parametrize(
    ("path", "problem"),
    [
        ("a", "is not below data/"),
        ("/data/a", "starts at the root folder"),
        ("data/../../a", "has '..' as a part"),
        ("../data/a", "has '..' as a part"),
        ("~root/a", "starts at a user's home folder"),
        ("C:/data/a", "contains a colon"),
        ("data\\a", "contains a backslash"),
        ("\\\\?\\C:\\a", "contains a backslash"),
        ("data/", "has a part without a name"),
        ("data/a%0Ab", "contains a control character"),
    ],
)
@pytest.mark.parametrize("version", ["0.97", "1.0"])
def test_a_path_that_leaves_the_payload_is_broken(path: str, problem: str, version: str) -> None:
    """RFC 8493, sections 2.1.3 and 5.1."""
    found = faults(bag(version, manifest_sha256=f"{SHA256}  data/a\n{SHA256}  {path}\n"))
    assert [severity for severity, _ in found] == ["broken"]
    assert f"in manifest-sha256.txt line 2 {problem}" in found[0][1]


@pytest.mark.parametrize("line", ["data/a", "xyz  data/a", f"{SHA256[:-1]}  data/a", f"{MD5}  data/a", SHA256])
def test_a_line_that_cannot_be_read_is_broken(line: str) -> None:
    found = faults(bag(manifest_sha256=f"{SHA256}  data/a\n{line}\n"))
    assert found == [
        ("broken", "manifest-sha256.txt line 2 is not a sha256 checksum of 64 digits and a path"),
    ]


def test_a_file_listed_twice_is_judged_by_version_and_checksum() -> None:
    """As the suite has it: a warning in 0.97 with the same checksum, invalid in 1.0; invalid with another one."""
    twice = f"{SHA256}  data/a\n{SHA256}  data/a\n"
    said = "data/a stands twice in manifest-sha256.txt"
    assert faults(bag("0.97", manifest_sha256=twice)) == [("note", said)]
    assert faults(bag("1.0", manifest_sha256=twice)) == [("form", said)]
    other = f"{SHA256}  data/a\n{OTHER}  data/a\n"
    assert faults(bag("0.97", manifest_sha256=other)) == [("broken", said + " with different checksums")]


def test_an_algorithm_that_is_not_known_is_said_and_one_that_is_must_be_there() -> None:
    known = "manifest-blake2b.txt has an algorithm that is not known here and was not checked"
    assert faults(bag(manifest_blake2b="00 data/a")) == [("form", known)]
    alone = read_bag({"bagit.txt": declaration_text().encode(), "manifest-blake2b.txt": b"00 data/a"})
    assert ("broken", "manifest-sha512.txt or another payload manifest is missing") in faults(alone, {})


def test_every_manifest_counts_until_1_0_and_each_must_be_whole_from_then_on() -> None:
    """RFC 8493, section 3: in 1.0 every payload manifest lists every file."""
    both = {"manifest_sha256": f"{SHA256}  data/a\n", "manifest_md5": f"{MD5}  data/b\n"}
    present = {"data/a": 3, "data/b": 3}
    assert faults(bag("0.97", **both), present) == []
    assert faults(bag("1.0", **both), present) == [
        ("form", "data/a is not in manifest-md5.txt: each payload manifest lists every file"),
        ("form", "data/b is not in manifest-sha256.txt: each payload manifest lists every file"),
    ]


# --- what is there ---------------------------------------------------------------------------------------------------


def test_missing_and_unexpected_files_are_told_apart() -> None:
    assert faults(bag(), {"data/b": 1, "notes.txt": 5}) == [
        ("broken", "data/a is missing, though manifest-sha256.txt lists it"),
        ("broken", "data/b is in the bag, but no payload manifest lists it"),
    ]


def test_what_desktop_systems_leave_is_passed_over_unless_it_is_listed() -> None:
    assert faults(bag(), {"data/a": 3, "data/.DS_Store": 6148, ".DS_Store": 1}) == []
    listed = bag(manifest_sha256=f"{SHA256}  data/a\n{SHA256}  data/.DS_Store\n")
    assert faults(listed) == [("broken", "data/.DS_Store is missing, though manifest-sha256.txt lists it")]


def test_what_each_file_must_be_is_gathered_from_all_manifests() -> None:
    read = bag(manifest_md5=f"{MD5}  data/a", tagmanifest_md5=f"{MD5}  bagit.txt\n{MD5} manifest-sha256.txt")
    wanted, _ = judge(read, {"data/a": 3, "bagit.txt": 55, "manifest-sha256.txt": 72})
    assert wanted == {
        "data/a": {Algorithm.SHA256: SHA256, Algorithm.MD5: MD5},
        "bagit.txt": {Algorithm.MD5: MD5},
        "manifest-sha256.txt": {Algorithm.MD5: MD5},
    }


@pytest.mark.parametrize(("version", "severity"), [("0.97", "note"), ("1.0", "form")])
def test_a_tag_manifest_lists_the_payload_manifests_and_no_payload(version: str, severity: str) -> None:
    read = bag(version, tagmanifest_sha256=f"{SHA256}  data/a\n")
    assert faults(read) == [
        (severity, "data/a is no business of tagmanifest-sha256.txt"),
        (severity, "manifest-sha256.txt is not in tagmanifest-sha256.txt"),
    ]


def test_a_tag_file_that_is_listed_must_be_there() -> None:
    read = bag(tagmanifest_sha256=f"{SHA256}  manifest-sha256.txt\n{SHA256}  meta/more.xml\n")
    assert faults(read, {"data/a": 3, "manifest-sha256.txt": 3}) == [
        ("broken", "meta/more.xml is missing, though tagmanifest-sha256.txt lists it")
    ]


def test_names_that_some_systems_take_for_one_are_noted() -> None:
    """RFC 8493, section 6."""
    text = "".join(f"{SHA256}  data/{name}\n" for name in ("a", "A", "b", "ü", "u\u0308"))
    present = dict.fromkeys((f"data/{name}" for name in ("a", "A", "b", "ü", "u\u0308")), 1)
    found = faults(bag(manifest_sha256=text), present)
    assert [text.split(" has ")[0] for severity, text in found] == ["data/A", "data/a", "data/u\u0308", "data/ü"]
    assert {severity for severity, _ in found} == {"note"}


def test_a_name_whose_letters_are_composed_otherwise_is_found() -> None:
    read = bag(manifest_sha256=f"{SHA256}  data/\u00fc\n")
    wanted, found = judge(read, {"data/u\u0308": 3})
    assert wanted == {"data/u\u0308": {Algorithm.SHA256: SHA256}}
    assert [fault.severity for fault in found] == [Severity.NOTE]


# --- encoded names ---------------------------------------------------------------------------------------------------


def test_1_0_encodes_line_ends_and_percent_signs_only() -> None:
    """RFC 8493, section 2.1.3."""
    assert encode_path("data/a%0A b/x\r\ny~ü") == "data/a%250A b/x%0D%0Ay~ü"
    assert decode_path("data/a%250A%0d%0a%7E", (1, 0)) == "data/a%0A\r\n%7E"


@given(st.text())
def test_a_name_comes_back_as_it_was(name: str) -> None:
    assert decode_path(encode_path(name), (1, 0)) == name


def test_drafts_encode_less() -> None:
    assert decode_path("a%25%0A%0D%7E", (0, 97)) == "a%25\n\r%7E"
    assert decode_path("a%25%0A%0D%7E", (0, 96)) == "a%25%0A%0D%7E"


def test_a_code_means_what_is_there_in_a_draft() -> None:
    """As the suite has it: v0.97/valid/bag-with-encoded-names holds names with `%7E` in them as they are."""
    text = f"{SHA256}  data/a%25b\n{SHA256}  data/~%7E\n"
    literal = {"data/a%25b": 1, "data/~%7E": 1}
    assert faults(bag("0.97", manifest_sha256=text), literal) == []
    encoded = {"data/a%b": 1, "data/~%7E": 1}
    assert faults(bag("0.97", manifest_sha256=text), encoded) == [("note", "data/a%25b stands for data/a%b")]
    assert faults(bag("1.0", manifest_sha256=text), encoded) == []
    assert [severity for severity, _ in faults(bag("1.0", manifest_sha256=text), literal)] == ["broken", "broken"]


# --- bag-info.txt ----------------------------------------------------------------------------------------------------


def test_labels_keep_their_order_and_values_go_on_over_lines() -> None:
    read = bag(bag_info="B: one\n  two\n\tthree\nA:no blank\nB:\t again\nEmpty:\n")
    assert read.info == (("B", "one two three"), ("A", "no blank"), ("B", "again"), ("Empty", ""))


def test_up_to_0_95_it_has_another_name() -> None:
    texts = {"package_info": "Payload-Oxum: 3.1"}
    assert bag("0.95", **texts).oxum == (3, 1)


@pytest.mark.parametrize("label", ["Payload-Oxum", "payload-oxum", "PAYLOAD-OXUM"])
def test_the_size_of_the_payload_is_checked(label: str) -> None:
    read = bag(bag_info=f"{label}: 3.1")
    assert read.oxum == (3, 1)
    assert faults(read, {"data/a": 3, "data/.DS_Store": 9}) == []
    said = "data/ should hold 3 bytes in 1 files, but there are 4 bytes in 1 files (Payload-Oxum)"
    assert faults(read, {"data/a": 4}) == [("form", said)]


@pytest.mark.parametrize(
    ("text", "version", "said"),
    [
        ("Payload-Oxum: 3.1\nPayload-Oxum: 3.1", "0.97", "bag-info.txt says Payload-Oxum more than once"),
        ("Payload-Oxum: three", "1.0", "bag-info.txt says Payload-Oxum 'three', which is not OCTETS.FILES"),
        ("no colon", "0.97", "bag-info.txt line 1 is not a label, a colon and a value"),
        (" indented: first", "1.0", "bag-info.txt line 1 is not a label, a colon and a value"),
        ("Label : value", "1.0", "bag-info.txt line 1 has a blank before its colon"),
    ],
)
def test_what_bag_info_may_not_say(text: str, version: str, said: str) -> None:
    assert faults(bag(version, bag_info=text)) == [("form", said)]


def test_drafts_let_blanks_stand_before_the_colon() -> None:
    read = bag("0.97", bag_info="Label : value")
    assert faults(read) == []
    assert read.info == (("Label", "value"),)


# --- fetch.txt -------------------------------------------------------------------------------------------------------


def test_a_file_left_to_be_fetched_is_refused_by_its_name() -> None:
    read = bag(fetch="https://example.org/a 3 data/a\n")
    assert read.fetch == (FetchItem("https://example.org/a", 3, "data/a"),)
    assert faults(read, {}) == [
        ("broken", "data/a is not in the bag but left to be fetched by fetch.txt; mediaprep fetches nothing")
    ]


def test_a_fetch_list_whose_files_have_come_is_no_fault() -> None:
    assert faults(bag(fetch="https://example.org/a - data/a\n")) == []


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("https://example.org/b - data/b", "data/b is in fetch.txt but not in manifest-sha256.txt"),
        ("https://example.org/b", "fetch.txt line 1 is not an address, a length and a path"),
        ("https://example.org/b many data/b", "fetch.txt line 1 is not an address, a length and a path"),
        ("https://example.org/b - bag-info.txt", "bag-info.txt in fetch.txt line 1 is not below data/"),
        ("file:///etc/passwd - ../../etc/passwd", "../../etc/passwd in fetch.txt line 1 has '..' as a part"),
    ],
)
def test_what_a_fetch_list_may_not_say(line: str, said: str) -> None:
    found = faults(bag(fetch=line))
    assert [severity for severity, _ in found] == ["broken"]
    assert found[0][1].startswith(said)


# --- writing ---------------------------------------------------------------------------------------------------------

paths = st.text(st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="/\\:")).map(lambda name: f"x{name}")


@given(st.dictionaries(paths, st.sampled_from([SHA256, OTHER]), min_size=1))
def test_a_manifest_that_was_written_is_read_back(digests: dict[str, str]) -> None:
    below = {f"data/{path}": digest for path, digest in digests.items()}
    (listing,) = bag(manifest_sha256=manifest_text(below)).payload
    assert {line.path: line.digest for line in listing.lines} == below


labels = st.text(st.characters(categories=["L", "N", "Pd"]), min_size=1)
words = st.lists(st.text(st.characters(exclude_categories=["Z", "C"]), min_size=1), min_size=0).map(" ".join)


@given(st.lists(st.tuples(labels, words)))
def test_what_is_written_into_bag_info_is_read_back(entries: list[tuple[str, str]]) -> None:
    text = info_text(entries)
    read = bag(bag_info=text)
    assert read.info == tuple(entries)
    for line in text.splitlines():
        assert len(line) <= 79 or len(line.split()) <= 2, "only a single word may be longer"


@pytest.mark.parametrize("label", ["", " ", "a:b", " a", "a ", "a\nb"])
def test_a_label_that_could_not_be_read_back_is_refused(label: str) -> None:
    with pytest.raises(ValueError, match="cannot be a label"):
        info_text([(label, "value")])


@pytest.mark.parametrize(
    ("name", "is_one"),
    [
        ("bagit.txt", True),
        ("bag-info.txt", True),
        ("manifest-md5.txt", True),
        ("tagmanifest-sha512.txt", True),
        ("fetch.txt", True),
        ("readme.txt", False),
        ("data/bagit.txt", False),
        ("meta/manifest-md5.txt", False),
    ],
)
def test_texts_of_the_format_are_known_by_name(name: str, is_one: bool) -> None:
    assert is_text_of_bag(name) is is_one


@given(st.dictionaries(st.sampled_from(["manifest-md5.txt", "bag-info.txt", "fetch.txt"]), st.text()), st.booleans())
def test_whatever_the_texts_hold_the_answer_is_a_bag_with_faults(texts: dict[str, str], old: bool) -> None:
    version = "0.97" if old else "1.0"
    raw = {name: text.encode() for name, text in texts.items()}
    raw["bagit.txt"] = f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8".encode()
    _, found = judge(read_bag(raw), {"data/a": 3})
    assert any(fault.severity is Severity.BROKEN for fault in found), "data/a is listed nowhere"
