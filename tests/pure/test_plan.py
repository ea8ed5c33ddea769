"""Plans over invented cards: what is written, kept and removed, and that nothing foreign ever is."""

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from mediaprep.model import Action, Bundle, CardEntry, FileSystem, Manifest, Plan, RecordedFile
from mediaprep.names import collisions, comparison_key, part_name, temporary_collisions
from mediaprep.plan import make_plan
from mediaprep.room import room_needed
from tests.pure.builders import folder, listing, make_bundle, manifest_of, on_card, owned, wanted


def plan_for(
    *entries,
    card: list[CardEntry] = (),
    ours: list[RecordedFile] = (),
    file_system: FileSystem = FileSystem.FAT32,
    bundle: Bundle | None = None,
) -> Plan:
    return make_plan(
        bundle=bundle or make_bundle(),
        manifest=manifest_of(*entries),
        entries=card,
        recorded=ours,
        file_system=file_system,
    )


def actions(plan: Plan) -> dict[str, tuple[Action, bool]]:
    return {item.entry.path: (item.action, item.ours) for item in plan.files}


# --- one file --------------------------------------------------------------------------------------------------------


def test_an_empty_card_is_written_with_its_folders_parents_first() -> None:
    plan = plan_for(wanted("nav/eu/a"), wanted("nav/b"), wanted("c"))
    assert actions(plan) == dict.fromkeys(("c", "nav/b", "nav/eu/a"), (Action.WRITE, True))
    assert plan.make_folders == ("nav", "nav/eu")
    assert replace(plan, files=(), make_folders=()) == Plan(())
    assert plan.bytes_to_write == 3000


def test_folders_that_are_there_are_not_made() -> None:
    plan = plan_for(wanted("Nav/EU/a"), card=[folder("NAV")])
    assert plan.make_folders == ("Nav/EU",)
    assert plan_for(wanted("Nav/a"), card=[folder("NAV")], file_system=FileSystem.OTHER).make_folders == ("Nav",)


FINISHED_ALIKE = owned("a", 1000)
FINISHED_OTHER = owned("a", 1000, "old content")


@pytest.mark.parametrize(
    ("on", "record", "action", "ours", "replaced_bytes"),
    [
        (None, None, Action.WRITE, True, 0),
        (None, FINISHED_ALIKE, Action.WRITE, True, 0),
        (None, replace(FINISHED_ALIKE, flushed=False), Action.WRITE, True, 0),
        (1000, FINISHED_ALIKE, Action.KEEP, True, 0),
        (1000, FINISHED_OTHER, Action.REPLACE, True, 1000),
        (1000, replace(FINISHED_ALIKE, flushed=False), Action.REPLACE, True, 1000),
        (7, replace(FINISHED_ALIKE, flushed=False), Action.REPLACE, True, 7),
        (1000, None, Action.KEEP, False, 0),
    ],
)
def test_one_file(on, record, action, ours, replaced_bytes) -> None:
    plan = plan_for(wanted("a"), card=[on_card("a", on)] if on else [], ours=[record] if record else [])
    (item,) = plan.files
    assert (item.action, item.ours, item.replaced_bytes) == (action, ours, replaced_bytes)
    assert (item.bundle, item.kind) == ("NEW", "navigation")
    assert replace(plan, files=()) == Plan(())


def test_a_foreign_file_of_another_size_is_in_the_way() -> None:
    plan = plan_for(wanted("a"), card=[on_card("A", 7)])
    assert plan.in_the_way == ("A",)
    assert actions(plan) == {"a": (Action.KEEP, False)}


@pytest.mark.parametrize("record", [None, FINISHED_ALIKE, replace(FINISHED_ALIKE, flushed=False)])
def test_a_folder_is_in_the_way_of_a_file(record) -> None:
    plan = plan_for(wanted("a"), card=listing(["a/theirs"]), ours=[record] if record else [])
    assert plan.in_the_way == ("a",)
    assert plan.foreign == ("a/theirs",)


def test_a_file_is_in_the_way_of_a_folder() -> None:
    plan = plan_for(wanted("a/b/c"), wanted("a/b/d"), card=[on_card("a")])
    assert plan.in_the_way == ("a",)
    assert plan.foreign == ("a",)
    assert plan.make_folders == ()
    assert plan.bytes_to_write == 0


def test_our_file_of_another_size_was_altered() -> None:
    plan = plan_for(wanted("a"), card=[on_card("a", 7)], ours=[FINISHED_ALIKE])
    assert plan.altered == ("a",)
    assert actions(plan) == {"a": (Action.KEEP, False)}


# --- the bundle before -----------------------------------------------------------------------------------------------


def test_what_the_bundle_does_not_hold_goes_with_the_folders_it_leaves_empty() -> None:
    card = listing(["nav/eu/north/a", "nav/eu/b", "nav/c", "obs/d", "own/e", "own/theirs"])
    plan = plan_for(
        wanted("nav/c"),
        card=card,
        ours=[owned(path) for path in ("nav/eu/north/a", "nav/eu/b", "nav/c", "obs/d", "own/e")],
    )
    assert plan.remove == ("nav/eu/b", "nav/eu/north/a", "obs/d", "own/e")
    assert plan.remove_folders == ("nav/eu/north", "nav/eu", "obs")
    assert plan.foreign == ("own/theirs",)


def test_a_folder_with_litter_in_it_stays() -> None:
    plan = plan_for(wanted("x"), card=listing(["nav/a", "nav/.DS_Store"]), ours=[owned("nav/a")])
    assert (plan.remove, plan.remove_folders, plan.litter) == (("nav/a",), (), ("nav/.DS_Store",))


def test_a_folder_that_gets_new_files_stays() -> None:
    plan = plan_for(wanted("nav/eu/b"), card=listing(["NAV/EU/a"]), ours=[owned("NAV/EU/a")])
    assert (plan.remove, plan.remove_folders, plan.make_folders) == (("NAV/EU/a",), (), ())


def test_an_empty_folder_of_someone_else_stays() -> None:
    plan = plan_for(
        wanted("x"), card=[*listing(["nav/a"]), folder("nav/theirs"), folder("more")], ours=[owned("nav/a")]
    )
    assert plan.remove_folders == ()


def test_what_is_gone_already_is_removed_from_the_records() -> None:
    assert plan_for(wanted("x"), ours=[owned("nav/a")]).remove == ("nav/a",)


@pytest.mark.parametrize("card", [[on_card("nav", 7)], [folder("nav")]])
def test_what_is_not_ours_any_more_is_not_removed(card) -> None:
    plan = plan_for(wanted("x"), card=card, ours=[owned("nav", 1000)])
    assert (plan.remove, plan.altered) == ((), ("nav",))


def test_an_unfinished_file_that_is_not_wanted_goes_whatever_its_size() -> None:
    plan = plan_for(wanted("x"), card=[on_card("a", 7)], ours=[owned("a", flushed=False)])
    assert plan.remove == ("a",)


def test_a_file_makes_way_for_a_folder_and_the_reverse() -> None:
    plan = plan_for(wanted("a/b"), card=[on_card("a")], ours=[owned("a")])
    assert (plan.remove, plan.make_folders, plan.in_the_way) == (("a",), ("a",), ())
    assert actions(plan) == {"a/b": (Action.WRITE, True)}
    plan = plan_for(wanted("a"), card=listing(["a/b"]), ours=[owned("a/b")])
    assert (plan.remove, plan.remove_folders, plan.in_the_way) == (("a/b",), ("a",), ())
    assert actions(plan) == {"a": (Action.WRITE, True)}


def test_a_changed_case_is_the_same_file() -> None:
    plan = plan_for(wanted("NAV/a"), card=listing(["nav/A"]), ours=[owned("nav/A", content="NAV/a")])
    assert actions(plan) == {"NAV/a": (Action.KEEP, True)}
    assert replace(plan, files=()) == Plan(())


def test_two_records_of_one_file_count_as_unfinished() -> None:
    # An interrupted change from one bundle to the next, under a name of another case.
    for ours in ([owned("a"), owned("A", flushed=False)], [owned("A", flushed=False), owned("a")]):
        plan = plan_for(wanted("a"), card=[on_card("a", 7)], ours=ours)
        assert actions(plan) == {"a": (Action.REPLACE, True)}


def test_of_two_names_that_differ_only_to_the_card_the_exact_one_counts() -> None:
    # U+0131 is taken for I here, but the card holds both, so it tells them apart.
    plan = plan_for(wanted("I", 5), card=[on_card("\u0131", 7), on_card("I", 5)], ours=[owned("I", 5)])
    assert actions(plan) == {"I": (Action.KEEP, True)}
    assert plan.foreign == ("\u0131",)


# --- temporary names -------------------------------------------------------------------------------------------------


def test_our_unfinished_temporary_files_go_first() -> None:
    card = [*listing(["nav/a.part"], 7), on_card("b.part", 7), on_card("c.part", 7)]
    ours = [owned("nav/a", flushed=False), owned("b", kind="obstacle", flushed=False), owned("c")]
    plan = plan_for(wanted("x"), card=card, ours=ours)
    assert plan.leftovers == ("b.part", "nav/a.part")
    assert plan.remove_folders == ("nav",)
    assert plan.foreign == ("c.part",)


def test_an_owned_file_that_looks_like_a_leftover_is_none() -> None:
    card = [on_card("a.part")]
    for record in (owned("a.part", kind="obstacle"), owned("a.part")):
        plan = plan_for(wanted("a.part"), card=card, ours=[owned("a", flushed=False), record])
        assert plan.leftovers == ()
        assert actions(plan)["a.part"] == (Action.KEEP, True)


def test_a_leftover_whose_name_is_wanted_is_ours() -> None:
    plan = plan_for(wanted("a.part"), card=[on_card("a.part", 7)], ours=[owned("a", flushed=False)])
    assert (plan.leftovers, plan.in_the_way) == ((), ())
    assert actions(plan) == {"a.part": (Action.REPLACE, True)}


def test_a_folder_where_our_temporary_file_was_is_not_ours() -> None:
    plan = plan_for(wanted("a"), card=[folder("a.part")], ours=[owned("a", flushed=False)])
    assert (plan.leftovers, plan.in_the_way) == ((), ("a.part",))


@pytest.mark.parametrize("ours", [[], [FINISHED_ALIKE], [FINISHED_OTHER]])
def test_a_foreign_file_under_a_temporary_name_is_in_the_way(ours) -> None:
    # Of a kept file too: if the readback finds it damaged, it is written again.
    card = [on_card("A.PART", 7), *([on_card("a")] if ours else [])]
    assert plan_for(wanted("a"), card=card, ours=ours).in_the_way == ("A.PART",)


def test_a_foreign_file_that_is_kept_needs_no_temporary_name() -> None:
    assert plan_for(wanted("a"), card=[on_card("a"), on_card("a.part")]).in_the_way == ()


def test_a_file_of_ours_that_goes_is_not_in_the_way() -> None:
    plan = plan_for(wanted("a"), card=[on_card("a.part")], ours=[owned("a.part")])
    assert (plan.remove, plan.in_the_way) == (("a.part",), ())


def test_another_bundles_file_under_a_temporary_name_is_in_the_way() -> None:
    plan = plan_for(wanted("a"), card=[on_card("a.part")], ours=[owned("a.part", bundle="O", kind="obstacle")])
    assert plan.in_the_way == ("a.part",)


# --- other bundles ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("card", [[], [on_card("obs")], [on_card("obs", 7)]])
def test_other_bundles_are_kept_whatever_is_found_of_them(card) -> None:
    plan = plan_for(wanted("x"), card=card, ours=[owned("obs", bundle="O", kind="obstacle")])
    (other, new) = plan.files
    assert (other.entry.path, other.action, other.bundle, other.kind, other.ours) == (
        "obs",
        Action.KEEP,
        "O",
        "obstacle",
        True,
    )
    assert new.action is Action.WRITE
    assert (plan.altered, plan.remove) == ((), ())


def test_two_bundles_may_share_a_file() -> None:
    shared = [owned("readme", bundle="O", kind="obstacle"), owned("readme")]
    plan = plan_for(wanted("readme"), card=[on_card("readme")], ours=shared)
    assert [(item.bundle, item.action) for item in plan.files] == [("NEW", Action.KEEP)]
    assert plan_for(wanted("readme"), ours=shared[:1]).bytes_to_write == 1000
    # The new bundle of this kind does not hold it: the other one still needs it.
    plan = plan_for(wanted("x"), card=[on_card("readme")], ours=shared)
    assert plan.remove == ()
    assert actions(plan) == {"readme": (Action.KEEP, True), "x": (Action.WRITE, True)}


def test_two_bundles_clash_over_different_content() -> None:
    ours = [owned("readme", content="theirs", bundle="O", kind="obstacle")]
    plan = plan_for(wanted("README"), card=[on_card("readme")], ours=ours)
    assert plan.clashes == ("README",)
    assert actions(plan) == {"README": (Action.KEEP, False)}


# --- properties ------------------------------------------------------------------------------------------------------

PATHS = ["a", "A", "b", "a.part", "d/a", "D/b", "d/e/c", "d/e/c.part", "e/x", "b/y", ".DS_Store", "\u0131", "I"]
paths = st.sampled_from(PATHS)
# Size and content: files of equal content are equally long.
contents = st.sampled_from([(0, "none"), (1, "one"), (1, "uno"), (3, "three")])
file_systems = st.sampled_from([FileSystem.FAT32, FileSystem.EXFAT, FileSystem.OTHER])


@st.composite
def cards(draw, file_system: FileSystem) -> tuple[dict[str, int], list[CardEntry], list[RecordedFile]]:
    """The sizes of a card's files, its listing, and records that may or may not agree with it."""
    files: dict[str, int] = {}
    for path in draw(st.lists(paths, max_size=8)):
        if not collisions([*files, path], file_system):
            files[path] = draw(contents)[0]
    entries: dict[str, CardEntry] = {}
    for item in listing(files):
        size_bytes = files.get(item.path, 0)
        entries.setdefault(comparison_key(item.path, file_system), replace(item, size_bytes=size_bytes))
    records = draw(
        st.lists(
            st.builds(
                lambda path, content, kind, flushed: owned(path, *content, kind=kind, flushed=flushed),
                paths,
                contents,
                st.sampled_from(["navigation", "obstacle"]),
                st.booleans(),
            ),
            max_size=6,
            unique_by=lambda record: record.path,
        )
    )
    return files, list(entries.values()), records


@st.composite
def manifests(draw, file_system: FileSystem) -> Manifest:
    """Bundles that the checks of names let through."""
    chosen: list[str] = []
    for path in draw(st.lists(paths, max_size=8)):
        more = [*chosen, path]
        if not collisions(more, file_system) and not temporary_collisions(more, file_system):
            chosen = more
    return manifest_of(*(wanted(path, *draw(contents)) for path in chosen))


@st.composite
def situations(draw):
    file_system = draw(file_systems)
    files, entries, records = draw(cards(file_system))
    manifest = draw(manifests(file_system))
    plan = make_plan(
        bundle=make_bundle(), manifest=manifest, entries=entries, recorded=records, file_system=file_system
    )
    return file_system, files, entries, records, manifest, plan


@given(situations())
def test_nothing_foreign_is_ever_touched(situation) -> None:
    file_system, files, _, records, _, plan = situation

    def key(path: str) -> str:
        return comparison_key(path, file_system)

    ours = {key(record.path) for record in records}
    ours |= {key(part_name(record.path)) for record in records if not record.flushed}
    written = {item.entry.path for item in plan.files if item.action is not Action.KEEP}
    temporary = {part_name(path) for path in written}
    touched = {key(path) for path in (*plan.remove, *plan.leftovers, *written)}
    refused = {key(path) for path in (*plan.in_the_way, *plan.altered, *plan.clashes)}
    foreign = {key(path) for path in files} - ours
    assert not touched & foreign
    assert not {key(path) for path in temporary} & foreign - refused
    assert not {key(path) for path in plan.foreign + plan.litter} & ours
    for path in files:
        assert not any(path.startswith(f"{gone}/") and key(path) in foreign for gone in plan.remove_folders)


@given(situations())
def test_every_file_of_the_bundle_is_planned_once(situation) -> None:
    _, _, _, _, manifest, plan = situation
    assert tuple(item.entry for item in plan.files if item.bundle == "NEW") == manifest.entries
    assert [item.entry.path for item in plan.files] == sorted(item.entry.path for item in plan.files)


@given(situations())
def test_a_plan_that_was_carried_out_leaves_nothing_to_do(situation) -> None:
    file_system, files, entries, _, manifest, plan = situation
    assume(not any([plan.in_the_way, plan.altered, plan.clashes]))
    card = Card(file_system, files, entries)
    card.carry_out(plan)
    after = [
        RecordedFile(item.entry.path, item.entry.size_bytes, item.entry.sha256, item.bundle, item.kind, flushed=True)
        for item in plan.files
        if item.ours
    ]
    again = make_plan(
        bundle=make_bundle(), manifest=manifest, entries=card.entries(), recorded=after, file_system=file_system
    )
    assert {item.action for item in again.files} <= {Action.KEEP}
    assert replace(again, files=(), foreign=(), litter=()) == Plan(())
    assert (again.foreign, again.litter) == (plan.foreign, plan.litter)


@given(situations(), st.sampled_from([1, 512, 32768]))
def test_the_room_is_at_least_that_of_the_files_that_come_less_those_that_go(situation, cluster_bytes) -> None:
    file_system, _, entries, _, _, plan = situation
    room = room_needed(plan, cluster_bytes=cluster_bytes, file_system=file_system, entries=entries)
    going = {comparison_key(path, file_system) for path in (*plan.remove, *plan.leftovers)}
    freed = sum(
        -(-entry.size_bytes // cluster_bytes) for entry in entries if comparison_key(entry.path, file_system) in going
    )
    coming = plan.bytes_to_write - sum(-(-item.replaced_bytes // cluster_bytes) * cluster_bytes for item in plan.files)
    assert room.bytes_needed >= coming - freed * cluster_bytes


class Card:
    """A card that does what a plan says, in the plan's order, and fails where a real one would."""

    def __init__(self, file_system: FileSystem, files: dict[str, int], entries: list[CardEntry]) -> None:
        self.key = lambda path: comparison_key(path, file_system)
        self.files = {self.key(path): (path, size_bytes) for path, size_bytes in files.items()}
        self.folders = {self.key(entry.path): entry.path for entry in entries if entry.is_folder}

    def carry_out(self, plan: Plan) -> None:
        for path in (*plan.remove, *plan.leftovers):
            self.files.pop(self.key(path), None)
        for path in plan.remove_folders:
            inside = f"{self.key(path)}/"
            assert not any(key.startswith(inside) for key in (*self.files, *self.folders))
            del self.folders[self.key(path)]
        for path in plan.make_folders:
            self._check_place(path)
            assert self.key(path) not in self.folders
            self.folders[self.key(path)] = path
        for item in plan.files:
            if item.action is not Action.KEEP:
                self._write(item.entry.path, item.entry.size_bytes, replacing=item.action is Action.REPLACE)

    def _write(self, path: str, size_bytes: int, *, replacing: bool) -> None:
        self._check_place(path)
        assert self.key(path) not in self.folders
        assert self.key(part_name(path)) not in {*self.files, *self.folders}
        assert (self.key(path) in self.files) is replacing
        self.files[self.key(path)] = (path, size_bytes)

    def _check_place(self, path: str) -> None:
        parent = path.rpartition("/")[0]
        assert not parent or self.key(parent) in self.folders

    def entries(self) -> list[CardEntry]:
        folders = [folder(path) for path in sorted(self.folders.values())]
        return [*folders, *(on_card(path, size_bytes) for path, size_bytes in self.files.values())]
