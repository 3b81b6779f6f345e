"""The report as a reader meets it: on a desk, on a phone, on paper, without scripts."""

import time

import pytest


@pytest.fixture
def page(browser, report):
    opened = browser.new_page(viewport={"width": 1280, "height": 900})
    faults = []
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on("requestfailed", lambda request: faults.append(request.url))
    opened.on(
        "request", lambda r: None if r.url[:5] in ("file:", "data:") else faults.append(r.url)
    )
    opened.goto(report.as_uri())
    yield opened
    assert faults == []
    opened.close()


def test_it_opens_quickly(browser, report):
    page = browser.new_page()
    begun = time.monotonic()
    page.goto(report.as_uri(), wait_until="load")
    assert page.evaluate("performance.now()") > 0
    print(f"opened in {time.monotonic() - begun:.2f} s")
    assert page.locator("h1").count() == 1
    page.close()


def test_the_first_screen_answers_the_questions(page, screens):
    page.screenshot(path=screens / "report_desktop.png")
    answers = page.locator(".answers")
    assert answers.is_visible()
    box = answers.bounding_box()
    assert box["y"] + box["height"] < 900
    assert "Are clients better?" in answers.inner_text()


def test_all_figures_are_drawn(page):
    sizes = page.evaluate("[...document.images].map(i => [i.complete, i.naturalWidth, i.alt])")
    assert len(sizes) > 10
    assert all(done and width > 0 and len(alt) > 30 for done, width, alt in sizes)


def test_the_contents_lead_to_sections(page):
    links = page.eval_on_selector_all("nav.contents a", "x => x.map(a => a.hash.slice(1))")
    assert len(links) > 10 and len(set(links)) == len(links)
    assert all(page.evaluate("n => !!document.getElementById(n)", name) for name in links)


def test_nothing_spills_over_at_phone_width(browser, report, screens):
    page = browser.new_page()
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(report.as_uri())
    page.screenshot(path=screens / "report_phone.png")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.close()


def test_accessibility(page):
    """No serious violation of WCAG 2.2 AA by axe-core."""
    from axe_playwright_python.sync_playwright import Axe

    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}})
    serious = [
        (v["id"], v["nodes"][0]["html"][:120])
        for v in found.response["violations"]
        if v["impact"] in ("serious", "critical")
    ]
    assert serious == []


def test_it_prints_to_a4(page, tmp_path):
    page.emulate_media(media="print")
    pdf = page.pdf(format="A4", tagged=True, outline=True)
    (tmp_path / "report.pdf").write_bytes(pdf)
    assert pdf.startswith(b"%PDF") and b"/StructTreeRoot" in pdf


def test_it_reads_without_scripts(browser, report):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(report.as_uri())
    text = page.locator("main").inner_text()
    assert "prompt medical referral" in text and "Clients for attention" in text
    assert page.locator("table").count() > 3
    context.close()
