"""The write-up: all escaped, nothing fetched, numbers that a spreadsheet leaves alone, words from the settings."""

from __future__ import annotations

import csv
import hashlib
import html
import html.parser
import re
from dataclasses import replace
from typing import TYPE_CHECKING

import mistune
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.chain.prediction import predict_change
from ohmshift.errors import StudyError
from ohmshift.show.article import Article, Illustrated, compose_article
from ohmshift.show.earphone_wording import SAFETY
from ohmshift.show.glossary import read_glossary, terms_used
from ohmshift.show.illustrations import BY_SLIDER, draw_finding
from ohmshift.show.markdown import escape_markdown, markdown_table
from ohmshift.show.methods import say_problems, say_setting
from ohmshift.show.outline import CAPTION, compose_outline, write_caption
from ohmshift.show.panels.any_source import SLIDER
from ohmshift.show.publishing import (
    MARKDOWN,
    NUMBERS,
    OUTLINE,
    PAGE,
    article_markdown,
    findings_html,
    outline_markdown,
    write_article,
)
from ohmshift.study.batch import ComparisonOptions, StudyComparison, compare_study
from ohmshift.study.findings import LOG, Finding, Quantity, append_finding, read_findings, retract_finding
from ohmshift.study.folder import Study, open_study
from ohmshift.study.impedances import know_impedance
from ohmshift.study.package import read_package, write_package
from ohmshift.study.places import demo_copy
from ohmshift.study.problems import Problem

if TYPE_CHECKING:
    from pathlib import Path

NASTY = '<script>alert("x")</script> & =1+1 [click](javascript:x) ![p](http://x/y.png) `code` *b* | c'
DATE = "2026-11-25"
LATER = "2199-12-31"  # on no finding and in no prose, whatever the day of the test


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = demo_copy(tmp_path_factory.mktemp("article") / "study")
    number = Quantity(name="=cmd()", value=-1.25, unit="dB", low=-2.0, high=-0.5)
    append_finding(
        folder,
        Finding(
            statement=NASTY,
            caveat=NASTY,
            quantities=(number,),
            data={"gone.csv": "0" * 64},
            settings={"<b>_db": 1.0, "words": NASTY},
            notebook=NASTY,
        ),
    )
    return open_study(folder)


@pytest.fixture(scope="module")
def comparison(study: Study) -> StudyComparison:
    return compare_study(study)


@pytest.fixture(scope="module")
def written(study: Study, comparison: StudyComparison, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out")
    write_article(study, comparison, out, date=DATE)
    return out


@pytest.fixture(scope="module")
def page(written: Path) -> str:
    return (written / PAGE).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def article(study: Study, comparison: StudyComparison) -> Article:
    return compose_article(study, comparison, date=DATE)


class Tags(html.parser.HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def words_of(text: str) -> str:
    return " ".join("".join(Tags(text).words).split())


def test_what_users_wrote_is_escaped(page: str) -> None:
    tags = Tags(page).found
    assert "script" not in {tag for tag, _ in tags}
    assert page.count("&lt;script&gt;") >= 4
    assert '<bdi>Whisk</bdi></a>: <bdi dir="ltr">Whisk' in page, "a name from the right leaves the rest in place"
    assert words_of(page).count(" ".join(NASTY.split())) >= 4
    assert "<script" not in findings_html([Finding(statement=NASTY, caveat=NASTY)])


def test_nothing_is_fetched(page: str) -> None:
    for tag, attributes in Tags(page).found:
        for name in ("src", "srcset"):
            assert attributes.get(name, "data:").startswith("data:"), (tag, name)
        assert tag != "a" or attributes["href"].startswith("#")
        assert tag not in {"link", "iframe", "object"}
    assert "url(" not in page
    assert "@import" not in page
    assert "default-src 'none'" in page


def test_every_picture_has_words_and_every_finding_its_caveat(page: str, study: Study) -> None:
    tags = Tags(page).found
    pictures = [attributes for tag, attributes in tags if tag == "img"]
    standing = read_findings(study.folder).standing
    assert len(pictures) == sum(bool(finding.earphone) for finding in standing) == 3
    assert all(attributes["alt"] for attributes in pictures)
    assert page.count("<strong>Caveat.</strong>") == sum(tag == "article" for tag, _ in tags) == len(standing)
    sources = [attributes["media"] for tag, attributes in tags if tag == "source"]
    assert sum("dark" in media for media in sources) == 2 * len(pictures)
    assert sum("max-width" in media for media in sources) == 2 * len(pictures)


def test_every_earphone_stands_in_a_table(page: str, study: Study) -> None:
    for name in study.names:
        assert f'<th scope="row">{name}</th>' in page
    assert "&lt;td&gt;" not in page


def test_a_file_that_is_not_what_it_was_is_named(page: str) -> None:
    assert "not what they are" in page or "not what they were" in page
    assert "gone.csv" in page


def test_numbers_are_numbers_and_text_is_no_formula(written: Path) -> None:
    with (written / NUMBERS).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    last = rows[-1]
    assert float(last["value"]) == -1.25
    assert "'=cmd()" in last.values()
    starts = {cell[0] for row in rows for cell in row.values() if cell}
    assert "=" not in starts
    assert "@" not in starts


def test_same_inputs_give_the_same_bytes(
    study: Study, comparison: StudyComparison, written: Path, tmp_path: Path
) -> None:
    for path in write_article(study, comparison, tmp_path, date=DATE):
        assert path.read_bytes() == (written / path.relative_to(tmp_path)).read_bytes(), path.name
    other = compose_article(study, comparison, date=LATER)
    for name, text in ((MARKDOWN, article_markdown(other)), (OUTLINE, outline_markdown(other))):
        assert text.replace(LATER, DATE) == (written / name).read_text(encoding="utf-8")


def test_order_and_choice(study: Study, comparison: StudyComparison, tmp_path: Path) -> None:
    chosen = ["demo-grater", "demo-whisk"]
    write_article(study, comparison, tmp_path, finding_ids=chosen)
    for name in (PAGE, MARKDOWN):
        text = (tmp_path / name).read_text(encoding="utf-8")
        assert text.index("finding demo-grater") < text.index("finding demo-whisk")
        assert "finding demo-spoon" not in text
    with pytest.raises(StudyError, match="only findings that stand"):
        write_article(study, comparison, tmp_path, finding_ids=["nobody"])


def test_a_retracted_finding_is_left_out(comparison: StudyComparison, tmp_path: Path) -> None:
    folder = demo_copy(tmp_path / "study")
    retract_finding(folder, "demo-spoon", "seat leaked")
    assert "demo-spoon" not in {i.finding.id for i in compose_article(open_study(folder), comparison).findings}


def test_markdown_shows_what_users_wrote_as_words(written: Path) -> None:
    for name in (MARKDOWN, OUTLINE):
        text = (written / name).read_text(encoding="utf-8")
        rendered = mistune.create_markdown(escape=False, plugins=["table", "url", "strikethrough"])(text)
        tags = Tags(rendered).found
        assert {tag for tag, _ in tags} <= {
            *("h1", "h2", "h3", "p", "strong", "img", "table", "thead", "tbody", "tr", "th", "td"),
            *("blockquote", "ul", "li", "pre", "code"),
        }, name
        assert words_of(rendered).count(" ".join(NASTY.split())) >= 2, name
        for tag, attributes in tags:
            assert tag != "img" or (written / attributes["src"]).is_file()


@pytest.mark.source("independent", ref="mistune 3, a reader of CommonMark with tables, on any text")
@given(st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\ufffd"), max_size=60))
def test_any_text_survives_markdown(text: str) -> None:
    shown = "".join(c if c.isprintable() or c.isspace() else "\ufffd" for c in text).split()
    render = mistune.create_markdown(escape=False, plugins=["table", "url", "strikethrough", "footnotes"])
    for page in (render(f"{escape_markdown(text)}\n"), render(f"- {escape_markdown(text)}\n")):
        tags = {tag for tag, _ in Tags(page).found}
        assert tags <= {"p", "ul", "li"}
        assert words_of(page).split() == shown
    cells = Tags(render(str(markdown_table([text, "b"], [["1", text]]))))
    assert [tag for tag, _ in cells.found if tag in {"th", "td"}] == ["th", "th", "td", "td"]


def test_methods_say_the_settings_that_were_used(article: Article, study: Study) -> None:
    text = " ".join(article.methods)
    assert "18 earphones were measured on this rig: occluded-ear simulator, simulated" in text
    added = "with 0 and 15 ohm added for all of them and with 5, 33 and 120 ohm added for 3 of them"
    assert f"taken {added}; 3 seats a channel and resistance, 270 curves in all" in text
    assert "0.6 ohm output impedance and a cable of 0.25 ohm" in text
    assert "Cauldron (2.25 ohm)" in text
    assert "Mortar stayed seated" in text
    assert "not certain for Kettle" in text
    other = compare_study(study, options=ComparisonOptions(warp="none", alpha=0.01, level_low_hz=300.0))
    text = " ".join(compose_article(study, other).methods)
    assert "curves were left as measured" in text
    assert "of those that did not change, at most 1 % would be called so" in text
    assert "300 Hz to 2 kHz" in text


def test_problems_say_what_became_of_the_data(article: Article, page: str) -> None:
    ((name, said),) = article.problems
    assert name == "Used, but doubtful"
    assert said[1] == (
        "responses/skillet_right_0ohm_a2.txt, level: a level is within 6 dB of its repeats; found: +10.7 dB from them."
    )
    assert "measure again" not in page, "a reader cannot"
    lost = Problem(file="a.txt", row=None, column="", value="", rule="it must be there", mend="-", effect="left out")
    flagged = replace(lost, effect="flagged")
    assert say_problems([flagged, lost]) == (
        ("Left out", ("a.txt: it must be there.",)),
        ("Used, but doubtful", ("a.txt: it must be there.",)),
    )


def test_nothing_is_said_twice(article: Article, page: str) -> None:
    assert page.count("smoothing of the thin line 1/12 octave") == 2, "once with each finding that was so made"
    for item in article.findings:
        if item.chart is None:
            continue
        sentence = item.chart.alt_text.partition(". ")[2]
        assert item.heading in item.chart.alt_text
        assert sentence.startswith(("Changed", "No change"))
        assert sentence not in item.caption
        assert "earphone" not in dict(item.settings)
    whisk, _, grater = (item.caption for item in article.findings if item.chart is not None)
    assert "Thin line: smoothed over 1/12 octave. Shaded: 95 % interval over all judged bands at once." in whisk
    assert "Hatched: not readable at a margin of 1 dB, as the uncertainty is larger." in whisk
    assert "Predicted: at every frequency; it has no interval" in grater
    assert "compared in third octaves" in grater


def test_limits_follow_from_the_data(article: Article, comparison: StudyComparison) -> None:
    text = " ".join(article.limits)
    verdicts = {name: comparison.verdict(name, 15.0) for name in comparison.by_size()}
    for name, verdict in verdicts.items():
        assert (name in article.limits[0]) == (verdict.word == "cannot tell")
    unreadable = sum(int((verdict.judged & ~verdict.readable).sum()) for verdict in verdicts.values())
    assert f"In {unreadable} of " in text
    assert "How much quieter Sieve became is not known" in text
    assert "about 0.9 of them would still be called changed on average" in text  # 18 x 0.05


def test_settings_in_words() -> None:
    assert say_setting("output_ohm", 0.6) == ("amplifier output impedance", "0.6 ohm")
    assert say_setting("smoothing", 0) == ("smoothing of the thin line", "none")
    assert say_setting("left_out", ("a", 2.0, None)) == ("left out", "a, 2, not set")
    assert say_setting("gain_db", True) == ("gain", "yes")


def test_glossary_is_the_books(article: Article) -> None:
    book = dict(read_glossary())
    assert len(book) > 25
    assert all(book[term] == meaning for term, meaning in article.glossary)
    assert {"margin", "level drop", "seat, reseating", "cross-check"} <= {term for term, _ in article.glossary}
    assert terms_used("marginal note; unchanged") == ()
    assert [term for term, _ in terms_used("two changes")] == ["added resistance, R", "change", "response"]
    named = {term for term, _ in terms_used("a voltage divider")}
    assert {"voltage divider", "source impedance, R_0", "load impedance, Z"} <= named, (
        "no word is explained by a riddle"
    )


def test_reproducibility_says_all_it_takes(page: str, article: Article, study: Study) -> None:
    assert f"ohmshift report study --out report --date {DATE}" in page
    for name, sha256 in study.data_hashes().items():
        assert name in page
        assert sha256 in page
    assert article.digest in page
    assert "numpy" in page


def test_the_figure_is_the_findings(study: Study, comparison: StudyComparison) -> None:
    settings = {"earphone": "Whisk", "added_ohm": 15.0, "channel": "left", "margin_db": 2.0}
    finding = Finding(statement="s", caveat="c", earphone="Whisk", settings=settings)
    one = draw_finding(study, comparison, finding)
    both = draw_finding(study, comparison, replace(finding, settings={**settings, "channel": "both"}))
    assert one is not None
    assert both is not None
    assert abs(one.lines[1].y - both.lines[1].y).max() > 0.01
    assert {level.y for level in one.levels} == {2.0, -2.0, 0.0}
    assert draw_finding(study, comparison, Finding(statement="s", caveat="c")) is None
    assert BY_SLIDER == SLIDER
    asked = {"earphone": "Grater", "source": BY_SLIDER, "output_ohm": 10.0, "added_ohm": 5.0, "tolerance_db": 2.0}
    source = draw_finding(study, comparison, replace(finding, earphone="Grater", settings=asked))
    assert source is not None
    impedance = know_impedance(study, comparison, "Grater").impedance
    assert impedance is not None
    wanted = predict_change(impedance, source_ohm=15.0, start_ohm=0.0)
    assert (source.lines[0].y == wanted.tonal_change_db).all()
    assert {level.y for level in source.levels} == {2.0, -2.0, 0.0}


def test_the_figure_is_of_the_resistance_the_files_were_measured_with(
    study: Study, comparison: StudyComparison
) -> None:
    rows = study.measurements
    files = rows.loc[(rows["earphone"] == "Whisk") & rows["added_ohm"].isin([0, 33]), "file"]
    theirs = Finding(statement="s", caveat="c", earphone="Whisk", data=dict.fromkeys(files, "0" * 64))
    chart = draw_finding(study, comparison, theirs)
    assert chart is not None
    assert chart.title.startswith("Whisk: change with 33 ohm added")


@pytest.fixture
def on_all_kinds(tmp_path: Path) -> Path:
    """A study with one finding, on files that measurements.csv does not name too."""
    folder = demo_copy(tmp_path / "study")
    (folder / LOG).unlink()
    names = ("metrics.toml", "recordings/skewer_left_0ohm_r1.flac", "published/newsletter_whisk_75ohm.csv")
    data = {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in names}
    append_finding(folder, Finding(statement="s", caveat="c", earphone="Whisk", data=data))
    append_finding(folder, Finding(id="gone", statement="s", caveat="c"))
    retract_finding(folder, "gone", "the wrong plug")
    return folder


def test_only_files_that_changed_are_called_changed(on_all_kinds: Path, comparison: StudyComparison) -> None:
    def one() -> Illustrated:
        return compose_article(open_study(on_all_kinds), comparison).findings[0]

    assert (one().changed_files, one().missing_files) == ((), ())
    with (on_all_kinds / "metrics.toml").open("ab") as file:
        file.write(b"\n")
    assert one().changed_files == ("metrics.toml",)
    (on_all_kinds / "recordings/skewer_left_0ohm_r1.flac").unlink()
    assert one().changed_files == ("metrics.toml", "recordings/skewer_left_0ohm_r1.flac")


def test_without_what_others_published_the_article_says_so(
    on_all_kinds: Path, comparison: StudyComparison, tmp_path: Path
) -> None:
    again = open_study(
        read_package(
            write_package(open_study(on_all_kinds), comparison, tmp_path / "package")[0].parent, tmp_path / "again"
        )
    )
    assert not list((again.folder / "published").iterdir())
    write_article(again, comparison, tmp_path / "out")
    page = words_of((tmp_path / "out" / PAGE).read_text(encoding="utf-8"))
    text = (tmp_path / "out" / MARKDOWN).read_text(encoding="utf-8")
    for said in (
        "This rests on 1 file that others published and that this copy of the study does not hold, since it is theirs",
        "What others published is theirs to license and not in it, though finding 1 rests on it.",
        "1 finding was withdrawn after being recorded; findings.csv in the package says why.",
        "Only this study's own change is drawn.",
        "ohmshift unpack package again",
    ):
        assert said in page
        assert said in " ".join(text.split())
    assert "not what they were" not in page + text


def test_a_number_gets_no_digits_that_nobody_gave(article: Article) -> None:
    given = {
        "bound": Quantity(name="bound", value=0.8, unit="dB"),
        "size": Quantity(name="size", value=2.2971, unit="dB"),
    }
    finding = Finding(statement="s", caveat="c", quantities=tuple(given.values()))
    assert [row[1] for row in replace(article.findings[0], finding=finding).numbers] == ["0.8", "2.30"]


def test_outline_is_a_numbered_script_with_captions(article: Article, written: Path) -> None:
    outline = compose_outline(article)
    assert [scene.number for scene in outline.scenes] == [1, 2, 3, 4]
    for scene, item in zip(outline.scenes, article.findings, strict=True):
        assert scene.say[0] == item.finding.statement
        assert item.finding.caveat in scene.say[-1]
        assert scene.captions
        assert all(0 < len(caption) <= CAPTION for caption in scene.captions)
    assert SAFETY in outline.closing
    assert "in this study by up to 21.7 dB (Grater, 120 ohm): turn the volume down first" in outline.closing[-2]
    assert "95 %" in outline.scenes[0].captions[1], "numbers with an interval come first"
    text = (written / OUTLINE).read_text(encoding="utf-8")
    assert re.search(r"^## 1\. Whisk \(about \d+ s\)$", text, re.MULTILINE)


def test_an_outline_without_findings_says_so(article: Article) -> None:
    assert compose_outline(replace(article, findings=())).opening[-1] == "No findings from 18 earphones."


@given(st.text(min_size=1, max_size=300).filter(str.strip), st.floats(-1e5, 1e5))
def test_a_caption_keeps_its_number(name: str, value: float) -> None:
    caption = write_caption("Ladle", Quantity(name=name.strip(), value=value, unit="dB", low=value, high=value))
    assert "(95 %: " in caption
    assert caption.endswith(")")
    assert len(caption) <= CAPTION


def test_html_escapes_like_the_standard_library(page: str) -> None:
    assert html.escape(NASTY, quote=False).split("[")[0].strip() in page.replace("&#34;", '"')
