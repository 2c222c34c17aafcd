"""Terms of the page: each explained at its first use, by key, by touch and in print."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from browser import PHONE, SIZES, Watched
from leafledger.report.numbers import TERMS, explain_terms

from . import tables


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    """Return the page of an invented study."""
    from leafledger.report.stage import run

    made = tables.make(tmp_path_factory.mktemp("terms"), tables.Plan(figures=("svg",)))
    run(made.job())
    return made.job().outputs["report"]


def marked(html: str) -> list[str]:
    return re.findall(r'popovertarget="term-(\w+)"', html)


def page_of(body: str) -> str:
    return f"<body><main id='main'>{body}</main><footer><!-- meanings --></footer></body>"


def test_a_term_is_marked_once_and_what_it_means_stands_once() -> None:
    page = explain_terms(page_of("<p>RMSEP and RMSEP, then R2.</p><p>R2 again: RMSEP.</p>"))
    assert marked(page) == ["rmsep", "r2"]
    assert page.index('id="term-rmsep"') < page.index('id="term-r2"') > page.index("</main>")
    assert page.count(TERMS["rmsep"][1]) == 1


def test_no_line_ends_between_a_term_and_its_punctuation() -> None:
    page = explain_terms(page_of("<p>Of all (RPD). Then RMSEP: a number.</p>"))
    assert re.findall(
        r'<span class="held">(.?)<button[^>]*>(\w+)</button>([^<]*)</span>', page
    ) == [
        ("(", "RPD", ")."),
        ("", "RMSEP", ":"),
    ]
    assert re.sub(r"</?(?:span|button)[^>]*>", "", page).count("Of all (RPD). Then RMSEP: a n") == 1


def test_a_folded_use_does_not_hide_the_first_open_one() -> None:
    folded = "<details><summary>RPD</summary><p>RPD, RPD</p></details>"
    page = explain_terms(page_of(f"{folded}<p>RPD</p>{folded}"))
    assert marked(page) == ["rpd", "rpd"]
    before, _, after = page.partition("</details>")
    assert len(marked(before)) == 1 and len(marked(after)) == 1
    assert "<summary>RPD</summary>" in page


def test_nothing_is_marked_in_what_is_pressed_named_or_drawn() -> None:
    body = (
        "<h2>Holm</h2><a href='#x'>Holm</a><button>Holm</button><code>Holm</code>"
        "<svg><title>Holm</title><text>Holm</text></svg><label>Holm</label><nav>Holm</nav>"
    )
    page = explain_terms(page_of(body))
    assert marked(page) == [] and body in page
    assert marked(explain_terms(page_of(f"{body}<p title='Holm'>p by Holm</p>"))) == ["holm"]


def test_words_outside_the_page_and_names_of_the_study_are_no_terms() -> None:
    page = "<head><title>Holm</title></head>" + page_of("<p>under dark; a Dark of 12 ms</p>")
    assert marked(explain_terms(page, ["dark"])) == []
    assert marked(explain_terms(page)) == ["dark"]


@pytest.mark.parametrize(
    ("text", "term"),
    [
        ("95\N{NO-BREAK SPACE}% interval", "interval"),
        ("p\N{NO-BREAK SPACE}= 0.03", "p"),
        ("p by Holm", "holm"),
        ("3 latent variables", "latent"),
        ("Balanced accuracy", "balanced_accuracy"),
        ("Welch t", "welch"),
        ("its SD", "standard_deviation"),
        ("SHA-256", "digest"),
    ],
)
def test_terms_are_known_as_the_page_writes_them(text: str, term: str) -> None:
    assert marked(explain_terms(page_of(f"<p>{text}</p>"))) == [term]


def test_words_that_only_look_like_terms_stay() -> None:
    text = "<p>whitefly, indexed, pH, R21, darkness, SDS, powerful, stamp = 3</p>"
    text += "<p>results/reflectance/day4.parquet, dark.txt, white-1, index_of, a.margin</p>"
    assert marked(explain_terms(page_of(text))) == []


def test_meanings_are_short() -> None:
    for name, (_, meaning) in TERMS.items():
        assert meaning.endswith(".") and "_" not in meaning, name
        for sentence in re.split(r"(?<=[.:;])\s", meaning):
            assert len(sentence.split()) <= 25, name


@pytest.mark.slow
def test_every_term_of_the_page_is_explained_at_its_first_open_use(page_file, watched) -> None:
    page = watched.open_file(page_file)
    html = page_file.read_text(encoding="utf-8")
    assert {"reflectance", "index", "interval", "holm", "latent"} <= set(marked(html))
    assert sorted(re.findall(r'id="term-(\w+)"', html)) == sorted(set(marked(html)))
    # As the reader meets it: no text node in open text before the marked one has the words.
    owner = page.evaluate(
        """() => {
          const walker = document.createTreeWalker(document.querySelector('main'), 4);
          for (let n = walker.nextNode(); n; n = walker.nextNode())
            if (!n.parentElement.closest('details,svg,a,h2,h3') && /95\\s% interval/.test(n.data))
              return n.parentElement.getAttribute('popovertarget');
        }"""
    )
    assert owner == "term-interval"
    assert watched.barriers() == []


@pytest.mark.slow
@SIZES
def test_a_meaning_opens_by_key_and_by_touch_inside_the_window(page_file, watched: Watched, size):
    watched.size(size)
    page = watched.open_file(page_file)
    term = page.locator("button.term").first
    meaning = page.locator(f"#{term.get_attribute('popovertarget')}")
    expect(meaning).to_be_hidden()
    term.focus()
    page.keyboard.press("Enter")
    expect(meaning).to_be_visible()
    box, at = meaning.bounding_box(), term.bounding_box()
    assert box is not None and at is not None
    assert box["x"] >= 0 and box["x"] + box["width"] <= size[0]
    assert 0 <= box["y"] - at["y"] - at["height"] < 20
    page.keyboard.press("Escape")
    expect(meaning).to_be_hidden()
    assert term.evaluate("t => t === document.activeElement")
    term.click()
    expect(meaning).to_be_visible()
    assert watched.fits()


@pytest.mark.slow
def test_print_has_the_terms_as_a_list(page_file, watched: Watched) -> None:
    watched.size(PHONE)
    page = watched.open_file(page_file)
    heading = page.get_by_text("Terms of this page", exact=True)
    expect(heading).to_be_hidden()
    watched.as_print()
    expect(heading).to_be_visible()
    for meaning in page.locator(".meaning").all():
        expect(meaning).to_be_visible()
