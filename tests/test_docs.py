"""The pages for readers keep up with the program."""

import importlib
import importlib.util
import inspect
import re
import tomllib
from pathlib import Path

import pytest
import typer

import xrfmap
from xrfmap.cli.main import app

TOP = Path(__file__).parent.parent
PAGES = [TOP / "README.md", TOP / "DEVELOPERS.md", *sorted((TOP / "xrfmap").rglob("*.md"))]
PROJECT = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def commands() -> set[str]:
    return set(typer.main.get_command(app).commands)


def anchors(page: Path) -> set[str]:
    """Anchors as the common Markdown sites make them from headings."""
    heads = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_no_link_is_dead(page):
    text = page.read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)\s]+)\)", text)
    for link in links:
        target, _, anchor = link.partition("#")
        if re.match(r"^[a-z]+:", target):
            continue
        file = (page.parent / target).resolve() if target else page
        assert file.exists(), f"{page.name} links to {link}"
        if anchor:
            assert anchor in anchors(file), f"{page.name} links to {link}"


def test_the_readme_table_holds_exactly_the_commands_there_are():
    text = (TOP / "README.md").read_text(encoding="utf-8")
    named = re.findall(r"^\| `xrfmap (\w+)", text, flags=re.MULTILINE)
    assert sorted(named) == sorted(commands())


def test_every_command_has_help_with_an_example():
    for name, command in typer.main.get_command(app).commands.items():
        assert f"xrfmap {name} " in (command.help or ""), name
        for parameter in command.params:
            assert getattr(parameter, "help", None), f"{name} {parameter.name}"


@pytest.mark.parametrize("mark", ["set-up", "tests"])
def test_the_readme_has_its_two_commands_in_one_line_each(mark):
    text = (TOP / "README.md").read_text(encoding="utf-8")
    found = re.search(rf"^<!-- command: {mark} -->\n```sh\n(.+)\n```$", text, flags=re.MULTILINE)
    assert found is not None


def test_versions_agree():
    assert PROJECT["version"] == xrfmap.__version__


def test_the_dependency_table_holds_exactly_the_dependencies():
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = text.split("## Dependencies")[1].split("\n## ")[0]
    named = re.findall(r"^\| ([\w-]+) \|", part, flags=re.MULTILINE)[2:]  # head and rule
    wanted = [re.split(r"[<>=~! ]", entry)[0] for entry in PROJECT["dependencies"]]
    assert sorted(named) == sorted(wanted)


def test_every_file_named_in_a_page_or_comment_is_there():
    sources = [*PAGES, TOP / ".ci" / "run", *(TOP / "xrfmap").rglob("*.py")]
    named = {
        (path.name, name)
        for path in sources
        if path.name != "CHANGELOG.md"  # what was there then
        for name in re.findall(r"\b(?:tests|xrfmap)/[\w/]+\.py", path.read_text("utf-8"))
    }
    missing = {(page, name) for page, name in named if not (TOP / name).is_file()}
    examples = {"xrfmap/io/NAME.py", "tests/test_x.py"}
    assert {(page, name) for page, name in missing if name not in examples} == set()
    assert len(named) > 20


REFERENCE = re.compile(r":(func|mod|class|data|meth|attr):`~?(xrfmap\.[\w.]+)`")


def is_there(role, name):
    """Whether a dotted name of a docstring leads to a thing of its kind."""
    parts, thing = name.split(".")[1:], xrfmap
    for part in parts:
        if hasattr(thing, part):
            thing = getattr(thing, part)
        elif part in getattr(thing, "__annotations__", {}):
            return role in {"attr", "data"}  # a field without a default
        elif inspect.ismodule(thing) and importlib.util.find_spec(f"{thing.__name__}.{part}"):
            thing = importlib.import_module(f"{thing.__name__}.{part}")
        else:
            return False
    kinds = {"mod": inspect.ismodule, "class": inspect.isclass, "func": callable, "meth": callable}
    return kinds.get(role, lambda _: True)(thing)


def test_every_reference_in_a_docstring_leads_somewhere():
    named = {
        (path.relative_to(TOP).as_posix(), role, name)
        for path in (TOP / "xrfmap").rglob("*.py")
        for role, name in REFERENCE.findall(path.read_text("utf-8"))
    }
    assert {entry for entry in named if not is_there(*entry[1:])} == set()
    assert len(named) > 50


def modules_of(folder):
    return {path.stem for path in folder.glob("*.py")} - {"__init__"}


def test_every_module_has_its_place_in_the_developers_page():
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\|(?: `([\w]*)/`)? \|([^|]*)\|[^|]*\|$", text, flags=re.MULTILINE)
    named = {}
    for package, modules in rows:
        place = package or place  # noqa: F821 - an empty cell means the package above
        named.setdefault(place, []).extend(re.findall(r"`(\w+)`", modules))
    packages = {path.parent for path in (TOP / "xrfmap").glob("*/__init__.py")}
    assert set(named) == {"xrfmap"} | {folder.name for folder in packages}
    for name, modules in named.items():
        there = modules_of(TOP / "xrfmap" / ("" if name == "xrfmap" else name))
        assert len(modules) == len(set(modules))
        assert set(modules) == there, name


def test_the_top_level_holds_what_was_agreed():
    agreed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"} | {
        "xrfmap",
        "tests",
        "demo_scans",
        "notebooks",
    }
    tracked = {path.name for path in TOP.iterdir() if not path.name.startswith(".")}
    # what a working copy gathers; none of it is kept in the repository
    local = {"results", "demo_out", "build", "dist"}
    assert agreed - {"notebooks"} <= tracked
    assert tracked - agreed - local == set()


def test_public_names_are_found_on_first_use():
    for name in xrfmap.__all__:
        assert getattr(xrfmap, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        xrfmap.nothing  # noqa: B018
    assert set(xrfmap.__all__) <= set(dir(xrfmap))


def test_no_public_name_is_that_of_a_part_of_the_package():
    # Python would put the module over the name as soon as anything imports it
    parts = {path.stem for path in (TOP / "xrfmap").iterdir()}
    assert parts & set(xrfmap.__all__) == set()
