"""The documents are held to the code."""

import re
import tomllib
from pathlib import Path

import pytest
from test_import_matrix import BENCH, EVERYTHING, MATRIX

ROOT = BENCH.parent
PAGES = sorted(
    path
    for path in [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *(ROOT / "recordings").rglob("*.md")]
)
LINK = re.compile(r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)")
FENCE = re.compile(r"```.*?```", re.S)


def links(path):
    return [
        link for link in LINK.findall(FENCE.sub("", path.read_text(encoding="utf-8"))) if "://" not in link
    ]


def anchors(path):
    titles = re.findall(r"^#+ +(.*)$", FENCE.sub("", path.read_text(encoding="utf-8")), re.M)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_between_documents_leads_somewhere(page):
    broken = []
    for link in links(page):
        file, _, anchor = link.partition("#")
        target = (page.parent / file).resolve() if file else page
        if not target.exists() or (anchor and anchor not in anchors(target)):
            broken.append(link)
    assert broken == []


def matrix_table():
    rows = ["| room | may import |", "|---|---|"]
    for room, allowed in MATRIX.items():
        what = (
            "everything"
            if allowed == EVERYTHING
            else ", ".join(a.replace(".", "/") for a in allowed) or "nothing"
        )
        rows.append(f"| {room} | {what} |")
    return "\n".join(rows)


def test_developers_page_shows_the_import_matrix_as_it_is_enforced():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    shown = text.split("<!-- matrix: begin -->")[1].split("<!-- matrix: end -->")[0].strip()
    assert shown == matrix_table()


def test_rooms_named_on_the_developers_page_exist():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:bench|tests|docs|dbc)/[\w/.]*)`", text))
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def test_make_targets_named_in_documents_exist():
    targets = set(re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.M))
    named = {
        name
        for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md")
        for name in re.findall(r"`make ([a-z]+)`", page.read_text(encoding="utf-8"))
    }
    assert named <= targets
    assert {"demo", "test", "lint", "evidence", "speed", "clean"} <= targets


def test_the_lock_holds_an_exact_version_of_every_dependency():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    names = {re.split(r"[^\w.\-]", want)[0].lower() for want in wanted}
    lines = (ROOT / "requirements-ci.txt").read_text(encoding="utf-8").splitlines()
    locked = dict(line.lower().split("==") for line in lines if line and not line.startswith("#"))
    assert sorted(names - set(locked)) == []
    assert all(re.fullmatch(r"[\w.]+", version) for version in locked.values())


def test_the_changelog_speaks_of_the_version_of_the_package():
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    assert re.search(
        rf"^## {re.escape(version)}\b", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.M
    )


def test_no_document_names_a_path_of_one_machine():
    # spelt in two parts so that this file does not hold what it looks for
    local = re.compile("(?<![\\w./])/(?:ho" + "me|ro" + "ot|wo" + "rk|Us" + "ers)/")
    guilty = [str(page.relative_to(ROOT)) for page in PAGES if local.search(page.read_text(encoding="utf-8"))]
    assert guilty == []


def test_decision_records_have_each_their_own_number():
    numbers = [record.name[:4] for record in sorted((ROOT / "docs" / "decisions").glob("*.md"))]
    assert numbers[0] == "0001"
    assert all(number.isdigit() for number in numbers)
    assert len(set(numbers)) == len(numbers)


def test_pages_are_found():
    assert Path("README.md") in {page.relative_to(ROOT) for page in PAGES}


def test_every_page_under_docs_can_be_reached_from_the_index():
    start = ROOT / "docs" / "README.md"
    seen, todo = set(), [start]
    while todo:
        page = todo.pop()
        if page in seen:
            continue
        seen.add(page)
        for link in links(page):
            target = (page.parent / link.partition("#")[0]).resolve()
            if target.is_dir():
                todo += (
                    [target / "README.md"] if (target / "README.md").exists() else sorted(target.glob("*.md"))
                )
            elif target.suffix == ".md":
                todo.append(target)
    assert sorted(str(p.relative_to(ROOT)) for p in set((ROOT / "docs").rglob("*.md")) - seen) == []


def test_the_readme_gives_two_commands_for_a_fresh_machine_and_the_same_for_windows():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    setup = text.split("## Set up")[1].split("## ")[0]
    posix, windows = setup.split("On Windows")
    assert re.findall(r"^    (.*)$", posix, re.M) == ["make demo", "make test"]
    lines = re.findall(r"^    (.*)$", windows, re.M)
    assert lines[0] == "py -m venv .venv"
    assert any("requirements-ci.txt" in line for line in lines)
    assert lines[-2:] == [r".venv\Scripts\hardstand demo", r".venv\Scripts\python -m pytest"]


@pytest.mark.parametrize(
    "word", ["loads move", "horn", "run dry", "gets hot", "navigation lights", "sea trial", "electrician"]
)
def test_the_readme_holds_every_caution(word):
    cautions = (ROOT / "README.md").read_text(encoding="utf-8").split("## Cautions")[1].split("\n## ")[0]
    assert word in " ".join(cautions.lower().split())
