"""One word for one thing: public names, options, labels and messages use no word that the glossary replaces."""

import ast
import re
from pathlib import Path

import pytest

from gapvision.words.glossary import GLOSSARY, table

PACKAGE = Path(__file__).parents[2] / "gapvision"
REPLACED = {old: term.word for term in GLOSSARY for old in term.replaces}
#: Where a replaced word is the right one: file or room, word, why.
ALLOWED = {
    ("page/drawings.py", "narrow"): "line-too-narrow, a code that stored results carry",
    ("vision", "band"): "the photo along the seam, rectified: a word of its own",
    ("model/panel.py", "band"): "a published word of the panel file: aim = 'band'",
    ("judgement/conformity.py", "band"): "guard band is the word of JCGM 106",
    ("words/verdict.py", "band"): "guard band is the word of JCGM 106",
    ("page/before_after.py", "narrow"): "a style's name: shown where the screen is narrow",
    ("page/looks.py", "narrow"): "the same",
    ("words/glossary.py", ""): "the glossary itself",
}
#: Published codes (alone, or behind their kind) and style names keep their words.
CODE_NAME = re.compile(r"^([a-z]+ )?[a-z]+(-[a-z]+)+$")


def plain(name):
    """Words of a name: ``SeamSpec`` and ``seam_spec`` give seam, spec."""
    return re.findall(r"[a-z]+", re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower())


def names(tree):
    """Public modules' functions, classes, their fields and arguments."""
    for node in getattr(tree, "body", []):
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node.name
            if isinstance(node, ast.ClassDef):
                yield from names(node)
            else:
                yield from (a.arg for a in [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs])
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            yield from (t.id for t in targets if isinstance(t, ast.Name) and not t.id.startswith("_"))


def texts(tree):
    """What a person may read: strings of several words, labels, and options; no docstrings."""
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            text = node.value
            if " " in text or text.startswith("--") or text[:1].isupper():
                yield from (line for line in text.splitlines() if not CODE_NAME.match(line))


def sins(path, source):
    """Replaced words in a file: (word, where)."""
    inside = path.relative_to(PACKAGE)
    if inside.suffix == ".py":
        tree = ast.parse(source)
        said = [(f"name {name}", plain(name)) for name in [inside.stem, *names(tree)]]
        said += [(f"text {text[:60]!r}", re.findall(r"[a-z]+", text.lower())) for text in texts(tree)]
    else:  # the page's script and its frame: text between tags, and strings less what is put into them
        strings = re.findall(r'>[^<{]+<|"(?:[^"\\\n]|\\.)*"|`(?:[^`\\]|\\.)*`', source)
        shown = [re.sub(r"\$\{[^}]*\}", "", text) for text in strings if " " in text]
        said = [(text, re.findall(r"[a-z]+", text.lower())) for text in shown]
    for where, words in said:
        line = " ".join(words)
        for old in REPLACED:
            if re.search(rf"\b{old}\b", line) and not any(
                inside.as_posix().startswith(place) and word in ("", old) for place, word in ALLOWED
            ):
                yield old, where


FILES = [p for kind in ("py", "js", "html") for p in sorted(PACKAGE.rglob(f"*.{kind}")) if "lab" not in p.parts]


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_no_replaced_word_is_used(path):
    found = [
        f"{where}: say '{REPLACED[old]}', not '{old}'" for old, where in sins(path, path.read_text(encoding="utf-8"))
    ]
    assert not found, "\n".join(found)


def test_a_replaced_word_would_be_seen():
    source = 'class FlushBand:\n    hem_mm: float\n\ndef f(narrow_mm):\n    return "The flush is wide."\n'
    assert [old for old, _ in sins(PACKAGE / "model" / "x.py", source)] == ["flush", "band", "hem", "narrow", "flush"]
    assert [old for old, _ in sins(PACKAGE / "page" / "x.js", 'a("the hem lies");')] == ["hem"]


def test_each_allowance_is_needed():
    """An allowance whose word is gone goes too."""
    needed = set()
    for path in FILES:
        inside = path.relative_to(PACKAGE).as_posix()
        said = path.read_text(encoding="utf-8").lower()
        needed |= {(place, old) for place, old in ALLOWED if inside.startswith(place) and old in said}
    assert needed == set(ALLOWED)


def test_every_term_is_complete_and_no_word_is_both():
    own = {word for term in GLOSSARY for word in term.word.replace(",", "").split()}
    assert not own & set(REPLACED)
    assert len(REPLACED) == sum(len(t.replaces) for t in GLOSSARY)
    assert all(t.word and t.meaning for t in GLOSSARY)


def test_the_table_shows_every_term():
    lines = table().splitlines()
    assert len(lines) == len(GLOSSARY) + 2
    assert all(line.count("|") == 5 for line in lines)
