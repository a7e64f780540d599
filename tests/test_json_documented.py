"""Every key that a command answers with stands in the README's JSON section, and the reverse.

The README's shapes are read as written: `{key: shape, NAME: shape}` and `[shape]`, names in large
letters standing for any key, words for what a key holds.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from test_extraction_curves import edited
from test_record_log import log_of
from test_screening_command import screened

from tests.timed_lab import ELUTION, TimedLab

Command = Callable[..., Any]
Tree = dict[str, Any]
SECTION = (Path(__file__).parents[1] / "README.md").read_text("utf-8").split("\n## JSON\n")[1]
SECTION = SECTION.split("\n## ")[0]
CODE = re.compile(r"`([^`]+)`")
NAMES = re.compile(r"[a-z]\w*")
HOLDS = "key | what it holds"
NAMED_SHAPES: dict[str, Tree] = {}
"""What a word stands for where it holds something: prediction, interval, place."""


def merged(*trees: Tree) -> Tree:
    whole: Tree = {}
    for tree in trees:
        for key, inner in tree.items():
            whole[key] = merged(whole.get(key, {}), inner)
    return whole


class Shape:
    """A shape as the README writes it, read from left to right."""

    def __init__(self, text: str) -> None:
        self.left = text.strip()

    def take(self, pattern: str) -> str:
        found = re.match(pattern, self.left)
        if not found:
            return ""
        self.left = self.left[found.end() :].lstrip()
        return found.group().strip()

    def value(self) -> Tree:
        tree = self.one()
        while self.take(r"or\b"):
            tree = merged(tree, self.one())
        return tree

    def one(self) -> Tree:
        if self.take(r"\{"):
            return self.entries()
        if self.take(r"\["):
            tree = self.value()
            while self.take(","):
                tree = merged(tree, self.value())
            assert self.take(r"\]"), self.left
            return tree
        word = self.take(r"[^\W\d]\w*|\d+|…")
        assert word, self.left
        return NAMED_SHAPES.get(word, {})

    def entries(self) -> Tree:
        tree: Tree = {}
        while not self.take(r"\}"):
            before = self.left
            name = self.take(r"\w+|…")
            if self.take("…"):  # `mean …`: all that a prediction has
                tree = merged(tree, NAMED_SHAPES["prediction"])
            else:
                inner = self.value() if self.take(":") else {}
                tree = merged(tree, {"*" if name.isupper() else name: inner})
            self.take(",|or null|or(?= )")
            assert len(self.left) < len(before), f"not a shape: {before[:60]}"
        return tree


def shape_of(text: str) -> Tree:
    """Return the shape that the first code in a cell gives; nothing where it holds a value."""
    codes = [code for code in CODE.findall(text) if code[0] in "[{"]
    return Shape(codes[0]).value() if codes else {}


def rows(heading: str, place: int = 1) -> Iterator[tuple[str, str]]:
    """Yield the cells of the table under a heading, the first, second … that has it."""
    table = SECTION.split(f"| {heading} |")[place].split("\n\n")[0]
    for line in table.splitlines()[2:]:
        first, rest = line.strip("| ").split(" | ", 1)
        yield first, rest


def documented() -> dict[str, Tree]:
    """Return by command the keys that the README tells of."""
    told = re.search(r"A prediction is `(\{[^`]+\})`", SECTION)
    assert told
    NAMED_SHAPES["prediction"] = Shape(told[1]).value()
    NAMED_SHAPES["predictions"] = {"*": NAMED_SHAPES["prediction"]}
    interval = re.search(r"an interval being `(\{[^`]+\})`", SECTION)
    place = re.search(r"A place is `(\{[^`]+\})`", SECTION)
    assert interval
    assert place
    NAMED_SHAPES["interval"] = Shape(interval[1]).value()
    NAMED_SHAPES["place"] = Shape(place[1]).value()
    every = {"format", "campaign", "workspace", "warnings", "files"}
    assert all(f"`{key}`" in SECTION.split("\n|")[0] for key in every)
    start: Tree = {key: {} for key in every} | {"warnings": {"code": {}, "what": {}}}
    found: dict[str, Tree] = {}
    for command, cell in rows("command | its own keys"):
        keys: Tree = {}
        for part in cell.strip("| ").split("; "):
            codes = CODE.findall(part)
            if codes and part.startswith("`"):
                keys[codes[0]] = shape_of(part)
            if other := re.search(r"as of `(\w+)`(?:, each with `(\w+)` and `(\w+)`)?", part):
                like = found[other[1]]
                more = {key: NAMED_SHAPES.get(key, {}) for key in other.groups()[1:] if key}
                keys[codes[0]] = merged(like.get(codes[0], like.get("runs", {})), more)
        found[command.strip("`")] = merged(start, keys)
    del found["any failure"]["warnings"]["code"], found["any failure"]["warnings"]["what"]
    each = re.search(r"Each of `responses` \(.*?\) has (.*?), and:", SECTION)
    assert each
    one, beside = ({k.strip("`"): shape_of(v) for k, v in rows(HOLDS, i)} for i in (1, 2))
    one = merged(one, {key: {} for key in CODE.findall(each[1])})
    found["fit"] = merged(found["fit"], beside, {"responses": {"*": one}})
    return found


def keys_of(answer: Any) -> Tree:
    if isinstance(answer, list):
        return merged(*map(keys_of, answer))
    if isinstance(answer, dict):
        return {key: keys_of(inner) for key, inner in answer.items()}
    return {}


OF_A_NAME = {
    "also_set",
    "settings",
    "predictions",
    "coding",
    "responses",
    "true_values",
    "true_best",
}
"""Objects whose keys are names of factors or responses wherever they stand."""


def apart(told: Tree, found: Tree, at: str = "") -> Iterator[str]:
    """Yield the keys that only the one or the other has."""
    if "*" in told:
        yield from apart(told["*"], merged(*found.values()), f"{at}.*")
        return
    if at.rpartition(".")[2] in OF_A_NAME and not told:
        return
    if at == ".first_runs" and not found:  # the demonstration runs nothing before the first run
        return
    for key in told.keys() ^ found.keys():
        yield f"{at}.{key} {'never occurs' if key in told else 'is not in the README'}"
    for key in told.keys() & found.keys():
        yield from apart(told[key], found[key], f"{at}.{key}")


@pytest.fixture
def answers(command: Command, tmp_path: Path) -> dict[str, Tree]:
    """What the commands answer over the demonstration's campaign, and where that has nothing to say
    over a screening of either kind, and over runs with a log."""
    found: dict[str, Tree] = {}

    def ask(name: str, *words: str, status: int = 0, under: str | None = None) -> Any:
        answer = command(name, *words, "--json", status=status)
        key = under or name
        found[key] = merged(found.get(key, {}), keys_of(answer))
        return answer

    ask("demo", "--seed", "1")
    lab = TimedLab(command, tmp_path, ELUTION)
    lab.plan()
    ask("new", "mint")
    ask("check", "husks")
    ask("plan", "husks")
    ask("status", "nowhere", status=1, under="any failure")
    ask("record", "husks", str(lab.results()))
    command("record", "husks", str(lab.samples(range(1, 16))))
    ask("fit", "husks")
    (tmp_path / "out.csv").write_text("run,left_out_because\n3,the regulator blocked\n")
    command("record", "husks", "out.csv")
    ask("fit", "husks")
    ask("suggest", "husks")
    ask("augment", "husks", "--by", "axial")
    ask("status", "husks")
    ask("plan", "mint")
    ask("record", "mint", str(log_of(3)), "--run", "3")
    command("new", "salted")
    salt = '[factors.salt]\nlevels = ["none", "citrate"]\nchanges_boiling = false\n\n[responses.ext'
    edited(tmp_path / "designs" / "salted" / "campaign.toml", (r"^\[responses\.ext", salt))
    ask("plan", "salted")
    for family in ("factorial", "definitive-screening"):
        folder = tmp_path / "designs" / "mint"
        if folder.exists():
            folder.rename(tmp_path / f"before-{family}")
        found["fit"] = merged(found["fit"], keys_of(screened(command, tmp_path, family)))
    return found


def test_the_readme_tells_of_every_key_and_of_no_other(answers: dict[str, Tree]) -> None:
    told = documented()
    assert sorted(told) == sorted(answers)
    wrong = [f"{name}{key}" for name in told for key in apart(told[name], answers[name])]
    assert not wrong, "\n".join(sorted(wrong))
