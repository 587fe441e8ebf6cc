"""Makes one book of every form there has been, as the text of its database, with invented rows.

    python3 make.py

A form is made as the program of its time made it: its own steps from src/store, in order, on an empty file. The rows were
written at form 1 and carried along by the later steps; what a form brought got a row of its own. A released book is never
made again: a file that is there stays as it is, so that a step changed afterwards is noticed by the tests.
"""
import pathlib
import sqlite3

HERE = pathlib.Path(__file__).resolve().parent
STEPS = sorted((HERE / "../../../src/store").glob("0*_*.sql"))
APPLICATION_ID = 0x4C49444D


def uid(number):
    return f"01970000-0000-7000-8000-{number:012x}"


SITE, TANK, ROOM, LID, STOP, READING, PUMPING = map(uid, range(1, 8))
SETUP = "00000000-0000-0000-0000-000000000001"
AT = "2026-06-17T09:00:00.000-05:00"
ROWS = {
    1: [
        ("site", dict(id=SITE, name="1 Sample Lane", town="Muestra", residents_tenths=35, lat_e7=441234567, lon_e7=-939876543, note="Ñandú, \"left\" of the walnut")),
        ("tank", dict(id=TANK, site=SITE, place=0, last_emptied="2023-05-01")),
        ("compartment", dict(id=ROOM, tank=TANK, place=0, shape="box", length_mm=2400, width_mm=1300, liquid_depth_mm=1219)),
        ("lid", dict(id=LID, tank=TANK, place=0, name="inlet", cover_mm=305, material="concrete", cracked=0)),
        ("stop", dict(id=STOP, site=SITE, day="2026-06-17", place=0, station="read", started_at=AT)),
        ("reading", dict(id=READING, stop=STOP, compartment=ROOM, scum_mm=102, sludge_mm=210, probes_mm="[200,220]")),
        ("pumping", dict(id=PUMPING, stop=STOP, tank=TANK, pumped=1, out_ml=3785000, heel_ml=40000)),
        ("setup", dict(id=SETUP, company="Invented Pumping", language="es", units="us", night=0, rule_set="general", dig_fee=7500, riser_6=1, riser_12=2, riser_18=3, riser_24=4, truck_ml=9463529, truck_emptied_at=AT, edge_mm=25)),
        ("op", dict(seq=1, id=uid(100), stop=STOP, at=AT, label="sludge", undoable=1)),
        ("change", dict(op=1, n=0, record="reading", id=READING, field="sludge_mm", old="200", new="210")),
        ("meta", dict(key="open", value="0")),
    ],
    2: [("pin", dict(id=uid(20), site=SITE, place=0, kind="house_corner", name="corner", x_mm=0, y_mm=0))],
    4: [("disposal_place", dict(id=uid(40), name="Invented plant", permit="P-1", method="treatment_plant"))],
    5: [("sent", dict(sequence=1, day="2026-06-17", begun_at=AT, partial=0, upto=1, sha256="0" * 64, bytes=1, name="day.lidmark"))],
    6: [("lost", dict(record="site", id=SITE, field="name", at_ms=1781704800000, offset_min=-300, by=uid(60), op=uid(61), sound=1, value="\"2 Sample Lane\""))],
    7: [("work_line", dict(id=uid(70), stop=STOP, place=0, label="pumping", quantity_thousandths=1000, unit_price=32500, tax_permille=0))],
    8: [("photo", dict(id=uid(80), site=SITE, part="lid", place=0, hash="a" * 64, width_px=4, height_px=3, added_at=AT))],
    9: [
        ("fixture", dict(id=uid(90), site=SITE, place=0, kind="toilet", name="upstairs")),
        ("flush", dict(id=uid(91), stop=STOP, fixture=uid(90), round="before", result="slowly", after_s=40)),
    ],
    10: [
        ("truck_tank", dict(id=uid(101), truck=None, place=1, name="Rear", capacity_ml=3785000)),
        ("pumping", dict(id=uid(102), stop=STOP, tank=TANK, pumped=1, out_ml=5000000, second_tank=uid(101), second_ml=1215000)),
    ],
    11: [("work_line", dict(id=uid(110), stop=STOP, place=1, label="filter", quantity_thousandths=1000, unit_price=0, tax_permille=0, no_charge=1))],
}

for form in range(1, len(STEPS) + 1):
    target = HERE / f"form-{form}.sql"
    if target.exists():
        continue
    db = sqlite3.connect(":memory:")
    for number, step in enumerate(STEPS[:form], 1):
        db.executescript(step.read_text())
        for table, row in ROWS.get(number, []):
            # The truck's id is the phone's own, made by form 4.
            row = {name: db.execute("SELECT id FROM truck").fetchone()[0] if name == "truck" else value for name, value in row.items()}
            marks = ", ".join("?" * len(row))
            db.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", list(row.values()))
    db.commit()
    text = "\n".join(db.iterdump())
    target.write_text(f"PRAGMA application_id = {APPLICATION_ID};\nPRAGMA user_version = {form};\n{text}\n")
