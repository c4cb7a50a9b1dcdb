import time

import pytest
from updraft_key.model.cues import ERAS, Era, MagnetTest, Outcome, Verdict
from updraft_key.model.errors import CatalogueError
from updraft_key.model.parts import (
    WHY,
    Catalogue,
    CatalogueRowsError,
    load_catalogue,
    match,
    parse_catalogue,
)

NO_MAGNET = MagnetTest(False, False, "")
SUBSETS = [(Era.IRON,), (Era.ALLOY4,), (Era.ALLOY5,), (Era.IRON, Era.ALLOY4), (Era.IRON, Era.ALLOY5),
           (Era.ALLOY4, Era.ALLOY5), ERAS]  # fmt: skip


def named(era: Era) -> Verdict:
    return Verdict(Outcome.NAMED, era, (era,), (), NO_MAGNET)


def shortlist(*eras: Era) -> Verdict:
    return Verdict(Outcome.SHORTLIST, None, eras, (), NO_MAGNET)


def csv(text: str) -> Catalogue:
    return parse_catalogue(text.encode(), "mine.csv", toml=False)


def test_the_shipped_catalogue_sells_nothing_and_covers_every_generation():
    rows = load_catalogue().rows
    assert all(r.sku is None and r.price is None for r in rows)
    for era in ERAS:
        kits = [r for r in rows if r.part.startswith("Rebuild kit") and era in r.fits]
        assert [k.fits for k in kits] == [(era,)], "a kit fits exactly one generation"
        for content in ("Needle and seat", "joint gasket", "flange gasket", "washers", "float pin"):
            assert content in kits[0].note
        screws = [r for r in rows if r.part.startswith("Joint screws") and era in r.fits]
        assert [s.quantity for s in screws] == [5 if era is Era.ALLOY5 else 4]


@pytest.mark.parametrize("era", ERAS)
def test_named_orders_only_its_own(era):
    lines = match(load_catalogue(), named(era))
    assert {p.order for p in lines} == {"fits", "do_not_order"}
    for p in lines:
        assert (p.order == "fits") == (era in p.fits)
        assert p.why in WHY.values()
    assert [p.order for p in lines] == sorted((p.order for p in lines), key=["fits", "do_not_order"].index)


def test_iron_and_alloy_inside_parts_never_cross():
    by_part = {p.part: p for p in match(load_catalogue(), named(Era.IRON))}
    kit = by_part["Rebuild kit, alloy body with five joint screws"]
    assert kit.order == "do_not_order" and "do not interchange" in kit.why
    assert by_part["Flange gasket"].order == "fits" and by_part["Flange gasket"].why == WHY["fits_all"]
    assert by_part["Arrester adapter ring, metal, flametight"].order == "do_not_order"


def test_a_shortlist_orders_only_what_fits_all_of_it():
    by_part = {p.part: p for p in match(load_catalogue(), shortlist(Era.ALLOY4, Era.ALLOY5))}
    assert by_part["Flange gasket"].order == "fits"
    assert by_part["Scavenge tube, metal, with fittings 1/8 NPT"].order == "fits"
    for screws in ("four", "five"):
        kit = by_part[f"Rebuild kit, alloy body with {screws} joint screws"]
        assert kit.order == "wait" and "front of the joint" in kit.why
    assert by_part["Rebuild kit, iron body"].order == "do_not_order"
    by_part = {p.part: p for p in match(load_catalogue(), shortlist(Era.IRON, Era.ALLOY4))}
    assert "magnet" in by_part["Rebuild kit, iron body"].why
    assert by_part["Rebuild kit, alloy body with five joint screws"].order == "do_not_order"


@pytest.mark.parametrize("open_", SUBSETS)
@pytest.mark.parametrize("fits", SUBSETS)
def test_every_pairing_never_orders_for_what_is_not_settled(open_, fits):
    catalogue = csv(f"part,fits\nthing,{' '.join(fits)}\n")
    verdict = named(open_[0]) if len(open_) == 1 else shortlist(*open_)
    (line,) = match(catalogue, verdict)
    expected = "fits" if set(open_) <= set(fits) else ("wait" if set(open_) & set(fits) else "do_not_order")
    assert line.order == expected
    assert line.why in WHY.values()


@pytest.mark.parametrize("outcome", [Outcome.CONFLICT, Outcome.NOT_SEEN, Outcome.RETAKE])
def test_without_a_verdict_there_is_nothing_to_order(outcome):
    assert match(load_catalogue(), Verdict(outcome, None, ERAS, (), NO_MAGNET)) == ()


def test_csv_with_every_column_and_toml_say_the_same():
    c = csv(
        'sku,part,fits,replaces,quantity,note,price\nA-1,"Kit, big",alloy4; ALLOY5,old kit,2,"two\nlines","12,50"\n'
    )
    t = parse_catalogue(
        b'[[part]]\nsku="A-1"\npart="Kit, big"\nfits=["alloy4","alloy5"]\nreplaces="old kit"\nquantity=2\n'
        b'note="two lines"\nprice="12,50"\n',
        "mine.toml",
        toml=True,
    )
    a, b = c.rows[0], t.rows[0]
    assert (a.part, a.fits, a.quantity, a.note, a.sku, a.price) == ("Kit, big", (Era.ALLOY4, Era.ALLOY5), 2,
                                                                    "two lines", "A-1", "12,50")  # fmt: skip
    assert a.replaces == b.replaces and a.note == b.note and a.fits == b.fits
    (line,) = match(c, named(Era.ALLOY4))
    assert line.note == "two lines Replaces: old kit" and line.sku == "A-1" and line.price == "12,50"


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_spreadsheet_dialects(delimiter):
    text = f"\ufeffpart{delimiter}fits\r\nfloat{delimiter}iron\r\n{delimiter}\r\n"
    assert [r.part for r in csv(text).rows] == ["float"]


def test_all_row_errors_at_once_with_their_row_numbers():
    with pytest.raises(CatalogueRowsError) as caught:
        csv(
            "part,fits,quantity,price\n"
            "good,iron,1,\n"  # 2
            ",iron,1,\n"  # 3
            "x,brass,1,\n"  # 4
            "y,,0,\n"  # 5: two things wrong
            "good,iron,1,\n"  # 6: repeats 2
            f"z,iron,1,{'9' * 41}\n"  # 7
            "w,iron,1,2,3\n"  # 8
        )
    rows = [e.row for e in caught.value.rows]
    assert rows == [3, 4, 5, 5, 6, 7, 8]
    for number, word in ((3, "empty"), (4, "brass"), (6, "repeats row 2"), (7, "41 characters"), (8, "5 cells")):
        assert f"row {number}: " in str(caught.value) and word in str(caught.value)
    assert isinstance(caught.value, CatalogueError)


@pytest.mark.parametrize(
    ("data", "toml", "says"),
    [
        (b"", False, "missing 'part', 'fits'"),
        (b"part,fit\na,iron\n", False, "unknown 'fit'"),
        (b"part,fits,part\na,iron,b\n", False, "repeated"),
        (b"part,fits\n", False, "no parts"),
        (b"\xff\xfe\x00", False, "UTF-8"),
        (b"part,fits\nsch\xf6n,iron\n", False, "UTF-8"),
        (b"part,fits\n\x00,iron\n", False, "NUL"),
        (b'part,fits\n"open,iron\n', False, "not CSV"),
        (b"part = [", True, "not TOML"),
        (b"x = 1", True, "[[part]]"),
        (b"part = 3", True, "[[part]]"),
        (b"part = [1]", True, "row 1"),
        (b'[[part]]\npart="a"\nfits="iron"\nquantity=true\n', True, "expected text, got bool"),
        (b'[[part]]\npart="a"\nfits="iron"\ncolour="red"\n', True, "unknown key 'colour'"),
    ],
)
def test_files_that_cannot_be_used_say_why(data, toml, says):
    with pytest.raises(CatalogueError, match="mine") as caught:
        parse_catalogue(data, "mine", toml=toml)
    assert says in str(caught.value)


def test_hostile_cells_stay_text():
    evil = ["=HYPERLINK(1)", "+1+1", "@SUM(A1)", "-2", "<script>alert(1)</script>", "'; DROP TABLE parts;--"]
    body = "".join(f'"{e}",iron,"{e}","{e}"\n' for e in evil)
    catalogue = csv("part,fits,note,sku\n" + body)
    assert [r.part for r in catalogue.rows] == evil
    assert [r.sku for r in catalogue.rows] == evil
    (row,) = csv("part,fits\n\x1b[31mred\u202egnp,iron\n").rows
    assert "\x1b" not in row.part and "\u202e" not in row.part and "red" in row.part


def test_missing_and_foreign_files(tmp_path):
    with pytest.raises(CatalogueError, match="cannot be read"):
        load_catalogue(tmp_path / "none.csv")
    (tmp_path / "a.xlsx").write_bytes(b"PK")
    with pytest.raises(CatalogueError, match="ends in"):
        load_catalogue(tmp_path / "a.xlsx")


def test_ten_thousand_rows_in_under_a_second_and_a_hundred_thousand_at_all(tmp_path):
    def write(n: int) -> str:
        file = tmp_path / f"{n}.csv"
        rows = (f"part {i},{ERAS[i % 3]} {ERAS[(i + 1) % 3]},,{1 + i % 9},note {i},S{i},{i}.50\n" for i in range(n))
        file.write_text("part,fits,replaces,quantity,note,sku,price\n" + "".join(rows), encoding="utf-8")
        return str(file)

    path = write(10_000)
    spent = [9.0]
    while len(spent) < 4 and min(spent) >= 1.0:  # what else the machine does costs even our own processor time
        start = time.process_time()
        lines = match(load_catalogue(path), shortlist(Era.ALLOY4, Era.ALLOY5))
        spent.append(time.process_time() - start)
    assert min(spent) < 1.0, spent
    assert len(lines) == 10_000 and sum(p.order == "fits" for p in lines) == 3_333
    assert len(load_catalogue(write(100_000)).rows) == 100_000
    with pytest.raises(CatalogueRowsError) as caught:
        csv("part,fits\n" + "x,brass\n" * 5_000)
    assert len(caught.value.rows) == 5_000 and "and 4800 more" in str(caught.value)
