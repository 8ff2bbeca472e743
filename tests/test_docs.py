import ast
import graphlib
import re
from pathlib import Path

import click
import pytest
from diskmosaic import demo
from diskmosaic.cli import commands
from diskmosaic.pictures.recipe import STEPS, Recipe
from diskmosaic.session.session import RecordingTable, SessionDocument
from diskmosaic.settings import Settings

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "diskmosaic"
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "demo" / "README.md",
    *sorted((ROOT / "docs").rglob("*.md")),
]


def text_of(name):
    return (ROOT / name).read_text("utf-8")


def sections(text):
    """Heading of the second level -> its text."""
    parts = re.split(r"^## (.+)$", text, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def options(command):
    return {name for option in command.params if isinstance(option, click.Option) for name in option.opts}


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_command_is_documented_with_its_own_options_and_no_others(name):
    written = sections(text_of("docs/commands.md"))
    usage = written[f"diskmosaic {name}"]
    own = options(commands.commands[name])
    assert set(re.findall(r"--[a-z][a-z-]*", usage)) == own
    explained = written["Options of the commands"] + usage.split("\n\n", 2)[2]
    assert own <= set(re.findall(r"--[a-z][a-z-]*", explained))


def test_no_command_is_documented_that_does_not_exist():
    written = {title.removeprefix("diskmosaic ") for title in sections(text_of("docs/commands.md"))}
    others = {"diskmosaic", "Options of the commands", "Exit codes"}
    assert written - others == set(commands.commands)
    assert options(commands) <= set(re.findall(r"--[a-z][a-z-]*", sections(text_of("docs/commands.md"))["diskmosaic"]))


def test_commands_in_the_pages_exist():
    for page in PAGES:
        named = set(re.findall(r"^\s*diskmosaic ([a-z]+)", page.read_text("utf-8"), re.MULTILINE))
        assert named <= set(commands.commands), page


def slug(heading):
    """Anchor of a heading, as pages of Markdown are commonly shown."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_to_files_and_headings_that_exist(page):
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text("utf-8")):
        assert "://" not in target, "pages stand on their own"
        name, _, anchor = target.partition("#")
        file = (page.parent / name).resolve() if name else page
        assert file.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.+)$", file.read_text("utf-8"), re.MULTILINE)
            assert anchor in map(slug, headings), target


def keys_of(model, prefix):
    return [f"{prefix}.{key}" for key in model.model_fields]


def test_every_key_of_session_toml_is_documented():
    page = text_of("docs/files.md")
    keys = [f'recordings."NAME".{key}' for key in RecordingTable.model_fields]
    for table, field in SessionDocument.model_fields.items():
        if table not in ("recordings", "recipes", "settings"):
            keys += keys_of(field.annotation, table)
    keys += [f'recipes."NAME".{key}' for key in Recipe.model_fields]
    assert not [key for key in keys if f"`{key}`" not in page]


def test_every_setting_is_documented_with_its_default():
    page = text_of("docs/files.md")
    rows = dict(re.findall(r"^\| `([a-z_]+\.[a-z_]+)` \| ([^|]+?) \|", page, re.MULTILINE))
    for stage, field in Settings.model_fields.items():
        for key, setting in field.annotation.model_fields.items():
            default = setting.default
            expected = str(default).lower() if isinstance(default, bool) else str(default) or '`""`'
            assert rows[f"{stage}.{key}"] == expected


def test_every_step_of_a_picture_is_documented_with_its_settings():
    page = text_of("docs/files.md").split("### Steps of a picture")[1].split("\n## ")[0]
    rows = dict(re.findall(r"^\| `([a-z]+(?:\.[a-z_]+)?)` \|(?: ([^|]+?))? \|", page, re.MULTILINE))
    expected = {}
    for name, model in STEPS.items():
        expected[name] = ""
        for key, setting in model.model_fields.items():
            if key != "step":
                default = setting.default
                expected[f"{name}.{key}"] = str(default).lower() if isinstance(default, bool) else str(default)
    assert rows == expected


def test_the_map_of_the_house_names_every_module_and_no_other():
    page = text_of("DEVELOPERS.md")
    named = set(re.findall(r"`((?:[a-z]+/)?[a-z_]+\.py)`", page.split("## House rules")[0]))
    there = {path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py")}
    there -= {name for name in there if name.endswith("__init__.py")}
    assert named == there


def imported(path):
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("diskmosaic"):
            yield from (f"{node.module}.{name.name}" for name in node.names)


def test_imports_go_down_only():
    # what each part of the house must not know; DEVELOPERS.md draws the map
    doors = ("cli", "commands", "demo", "pipeline", "job", "report")
    bench = ("synthetic", "figures")
    stages = (
        "recordings",
        "masters",
        "trial",
        "remainder",
        "tiles",
        "longer",
        "placement",
        "levels",
        "blend",
        "limb",
        "disk",
        "pictures",
    )
    forbidden = dict.fromkeys(stages, (*doors, *bench))
    forbidden |= {"arrays": (*doors, *bench, *stages, "files"), "files": (*doors, *bench, *stages)}
    forbidden |= {"synthetic": (*doors, "figures"), "figures": doors}
    for part, known in tied().items():
        assert not known & set(forbidden.get(part, ())), part


def tied():
    """Part of the house -> the other parts that it imports from."""
    parts = {}
    for path in PACKAGE.rglob("*.py"):
        part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        parts.setdefault(part, set()).update({name.split(".")[1] for name in imported(path)} - {part})
    return parts


def test_parts_of_the_house_import_each_other_in_no_circle():
    graphlib.TopologicalSorter(tied()).prepare()  # CycleError names the circle


def test_pictures_of_the_docs_are_small():
    pictures = [path for path in (ROOT / "docs" / "pictures").iterdir() if path.suffix != ".md"]
    assert pictures
    assert all(path.suffix == ".jpg" and path.stat().st_size < 300_000 for path in pictures)


def test_the_demo_page_tells_the_scenario_that_is_run():
    page, scenario = text_of("demo/README.md"), demo.demo_scenario()
    plan = scenario.plan
    for fact in (
        f"{plan.frames} frames each",
        f"{plan.flat_frames} and {plan.dark_frames} frames",
        f"{scenario.radius_px:.0f} px",
        f"turned {plan.camera_angle_deg:.0f} degrees",
        f"{plan.dust} dust shadows",
    ):
        assert fact in page
