"""Plans loaded on the page, from a file and typed; faults at their cells."""

from ingestd.ledger import work
from tests.conftest import EXPORT_HEAD, SHEET, Lab, row
from tests.ingestd.web.conftest import Page

SECOND = SHEET.replace("R1", "R2").replace("W-", "V-").replace("B1", "B2")


def test_typed_sheet_is_in_force_with_the_person_who_typed_it(lab: Lab, page: Page) -> None:
    answer = page.sign_in("mara").post("/plan/load", {"name": "typed.csv", "text": SECOND})
    assert answer.url.path == "/run"
    assert "typed.csv is in force" in answer.text
    assert work.find_run(lab.ledger.conn, "R2") is not None


def test_uploaded_files_of_each_kind_are_loaded(lab: Lab, page: Page) -> None:
    mara = page.sign_in("mara")
    for name, data in {
        "sheet.csv": SECOND.encode(),
        "C:\\plans\\more.toml": b'[[sampling_point]]\ncode = "weir"\n',
    }.items():
        answer = mara.post("/plan/load", files={"file": (name, data, "text/plain")})
        assert "is in force" in answer.text
    assert ">weir</a>" in mara.page("/plan")
    assert lab.one("SELECT name FROM captures ORDER BY id DESC LIMIT 1") == "more.toml"


def test_dilution_step_is_listed_and_shows_its_glassware(page: Page) -> None:
    text = (
        '[[dilution_step]]\nname = "one in ten"\nfactor = 10\naliquot_ml = 10\n'
        "aliquot_tolerance_ml = 0.03\nflask_ml = 100\nflask_tolerance_ml = 0.1\n"
    )
    mara = page.sign_in("mara")
    mara.post("/plan/load", {"name": "steps.toml", "text": text})
    shown = mara.page("/plan")
    assert ">Dilution steps <" in shown
    assert ">one in ten</a>" in shown
    shown = mara.page("/input?kind=dilution_step&name=one+in+ten")
    assert "flask tolerance ml" in shown
    assert "0.03" in shown


def test_wrong_cells_are_named_and_marked_and_nothing_is_in_force(lab: Lab, page: Page) -> None:
    bad = SECOND.replace("1+1", "1:10").replace("V-2,,inlet,2026-03-02", "V-2,,inlet,2026-13-02")
    answer = page.sign_in("mara").post("/plan/load", {"name": "bad.csv", "text": bad})
    assert answer.status_code == 422
    assert "bad.csv was not loaded: 2 faults" in answer.text
    marked = answer.text.split('<td class="bad"')[1:]
    assert len(marked) == 2
    assert ">1:10<" in marked[0]
    assert ">2026-13-02 06:00<" in marked[1]
    assert "V-1" in answer.text.split("<textarea")[1]
    assert work.find_run(lab.ledger.conn, "R2") is None
    assert lab.one("SELECT state FROM capture_states ORDER BY capture DESC LIMIT 1") == "failed"


def test_text_comes_back_for_editing_exactly_as_it_was_typed(page: Page) -> None:
    typed = 'run,method\r\n"a\tb",<b>\r\n'
    answer = page.sign_in("mara").post("/plan/load", {"name": "bad.csv", "text": typed})
    assert "run,method\n&#34;a\tb&#34;,&lt;b&gt;\n</textarea>" in answer.text


def test_faults_of_a_plan_file_name_their_line(page: Page) -> None:
    text = '[[kit_lot]]\nlot = "K9"\nmethod = "COD-HR"\nexpires = "soon"\n'
    answer = page.sign_in("mara").post("/plan/load", {"name": "lots.toml", "text": text})
    assert answer.status_code == 422
    assert "<strong>line 4</strong>" in answer.text


def test_unknown_kind_of_file_and_empty_text_are_refused(page: Page) -> None:
    mara = page.sign_in("mara")
    assert (
        "a plan cannot be a .pdf file"
        in mara.post("/plan/load", {"name": "plan.pdf", "text": "x"}).text
    )
    assert "Nothing is in it" in mara.post("/plan/load", {"name": "a.csv", "text": "  "}).text


def test_draft_for_waiting_readings_fills_the_form(lab: Lab, page: Page) -> None:
    lab.arrive(EXPORT_HEAD + row(71, "Z-1", "300", dilution="2"), name="late.csv")
    mara = page.sign_in("mara")
    text = mara.page("/plan?draft=1&method=COD-HR&run=late&started=2026-03-02T08:00")
    drafted = text.split("<textarea")[1].split("</textarea>")[0]
    assert "Z-1" in drafted
    assert "late,COD-HR" in drafted
    assert "not a date and time" in mara.page("/plan?draft=1&method=COD-HR&run=x&started=now")


def test_input_shows_its_versions_and_a_method_its_rules(page: Page) -> None:
    vera = page.sign_in("vera")
    text = vera.page("/input?kind=method&name=COD-HR")
    assert "Every rule, with the limits in force for it" in text
    assert "measuring range" in text
    assert "1500" in text
    assert "Expires" in vera.page("/plan")


def test_what_holds_for_all_methods_comes_from_the_configuration(page: Page) -> None:
    vera = page.sign_in("vera")
    assert "What holds for all methods" in vera.page("/plan")
    text = vera.page("/input?kind=site&name=policy")
    assert "half_even" in text
    assert "the configuration" in text
    assert "a decision" not in text
