"""One small invented study, exported in every messy way seen in practice."""

from datetime import date, datetime, time, timedelta
from io import BytesIO
from xml.sax.saxutils import escape
from zipfile import ZipFile

from openpyxl import Workbook

LAB = [  # athlete, sex, age, stature, date, mass, VO2max [mL/kg/min], RER, HRmax
    ("A01", "male", 31, 181, date(2026, 3, 4), 72.5, 52.4, 1.12, 188),
    ("A02", "female", 28, 168, date(2026, 4, 11), 61.0, 48.1, 1.15, 192),
    ("A03", "male", 45, 177, date(2026, 4, 12), 80.25, 44.7, 1.09, 179),
    ("A04", "female", 36, 172, date(2026, 5, 6), 66.4, 57.9, 1.18, 190),
    ("A05", "male", 24, 190, date(2026, 5, 27), 84.0, 61.0, 1.11, 199),
]
READINGS = [  # three days before each test, at 07:30
    (who, day - timedelta(days=gap), round(vo2 + gap - 2))
    for who, _, _, _, day, _, vo2, _, _ in LAB
    for gap in (2, 3, 5)
]


def comma(value, on=True):
    return str(value).replace(".", ",") if on else str(value)


def csv(rows, sep=","):
    return "\n".join(sep.join(map(str, row)) for row in rows) + "\n"


def lab(
    header="athlete_id,date,mode,vo2max_ml_kg_min,mass_kg,rer_max,hr_max_bpm",
    *,
    sep=",",
    dec=False,
    form="%Y-%m-%d",
    mode="run",
    cells=None,
    above=(),
):
    """The laboratory's export; `cells` gives the values of a row where they differ."""
    rows = [header.split(",")]
    for one in LAB:
        who, _, _, _, day, mass, vo2, rer, hr = one
        row = cells(one) if cells else (who, f"{day:{form}}", mode, vo2, mass, rer, hr)
        rows.append([comma(c, dec and isinstance(c, float)) for c in row])
    return csv([*above, *rows], sep)


def watch(
    header="athlete_id,taken_at,mode,vo2max_ml_kg_min",
    *,
    sep=",",
    form="%Y-%m-%d",
    who=str,
    cells=None,
    only=None,
    month=None,
):
    rows = [header.split(",")]
    for name, day, vo2 in READINGS:
        if only in (None, name) and month in (None, day.month):
            row = cells(name, day, vo2) if cells else (who(name), f"{day:{form}}", "run", vo2)
            rows.append(row)
    return csv(rows, sep)


def workbook(path, sheets):
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    book.save(path)


def open_document(sheets):
    """The bytes of an ODS workbook: OASIS OpenDocument 1.2, part 1, sections 9 and 19."""

    def cell(value):
        if isinstance(value, date):
            kind = f'office:value-type="date" office:date-value="{value}"'
        elif isinstance(value, int | float):
            kind = f'office:value-type="float" office:value="{value}"'
        else:
            kind = 'office:value-type="string"'
        return f"<table:table-cell {kind}><text:p>{escape(str(value))}</text:p></table:table-cell>"

    tables = "".join(
        f'<table:table table:name="{name}">'
        + "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>" for row in rows)
        + "</table:table>"
        for name, rows in sheets.items()
    )
    names = "urn:oasis:names:tc:opendocument:xmlns"
    content = (
        f'<office:document-content xmlns:office="{names}:office:1.0" xmlns:text="{names}:text:1.0" '
        f'xmlns:table="{names}:table:1.0" office:version="1.2"><office:body><office:spreadsheet>'
        f"{tables}</office:spreadsheet></office:body></office:document-content>"
    )
    manifest = (
        f'<m:manifest xmlns:m="{names}:manifest:1.0"><m:file-entry m:full-path="/" '
        'm:media-type="application/vnd.oasis.opendocument.spreadsheet"/></m:manifest>'
    )
    found = BytesIO()
    with ZipFile(found, "w") as parts:
        parts.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        parts.writestr("META-INF/manifest.xml", manifest)
        parts.writestr("content.xml", content)
    return found.getvalue()


def table(text, sep=","):
    return [line.split(sep) for line in text.splitlines()]


def at(day):
    return datetime.combine(day, time(7, 30))


RUN = {"mode": "run"}
# name -> (files, answers to what is open, by key; most edits)
CASES = {
    "plain columns, no test ids": ({"lab.csv": lab(), "watch.csv": watch()}, {}, 0),
    "title rows above the header": (
        {
            "lab.csv": lab(above=[["Exercise laboratory"], ["Spring 2026"], [""]]),
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "title rows with semicolons": (
        {
            "lab.csv": lab(
                "Code;Date;Sport;VO2max (ml/kg/min);Weight (kg);RER;HRmax".replace(";", ","),
                sep=";",
                above=[["Report", "", "", "", "", "", ""]],
            ),
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "words of a rowing club": (
        {
            "ergo room.csv": lab(
                "Rower,Test day,Sport,Peak uptake (ml/min/kg),Weight that day (kg),RER,Top pulse",
                sep=";",
                dec=True,
                form="%d.%m.%Y",
            ),
            "wrist.csv": watch("Rower,Read at,Sport,VO2max", sep=";", form="%d.%m.%Y"),
        },
        {},
        0,
    ),
    "words of a squad's sheets, two field files": (  # points in one, commas in the other
        {
            "ergo tests.csv": lab(
                "Athlete code,Session date,Sport,VO2max (mL/kg/min),Weight,RER,HRmax"
            ),
            "wrist one.csv": csv(
                [["User", "Session date", "Sport", "VO2max", "Weight in profile (kg)"]]
            )
            + csv([[w, d, "run", f"{v}.0", 70.5] for w, d, v in READINGS[:7]]),
            "wrist two.csv": csv([["User ID", "Date", "Sport", "VO2max", "Age in profile"]], ";")
            + csv([[w, f"{d:%d.%m.%Y}", "run", f"{v},0", 30] for w, d, v in READINGS[7:]], ";"),
        },
        {},
        0,
    ),
    "a row of units": (
        {
            "lab.csv": lab(
                ["ID,Date,Mode,VO2max,Mass,RER,HRmax", ",,,mL/kg/min,kg,,bpm"][0],
                cells=None,
            ).replace("HRmax\n", "HRmax\n,,,mL/kg/min,kg,-,bpm\n", 1),
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "two header rows": (
        {
            "lab.csv": "Athlete,Test,,VO2max,,Body,\nid,date,mode,(mL/kg/min),RER,mass (kg),HRmax\n"
            + csv((w, d, "run", v, r, m, h) for w, _, _, _, d, m, v, r, h in LAB),
            "watch.csv": watch(),
        },
        {},
        2,
    ),
    "pounds in the header": (
        {
            "lab.csv": lab(
                "Athlete,Test date,Mode,VO2max (mL/kg/min),Weight (lb)",
                cells=lambda o: (o[0], o[4], "run", o[6], round(o[5] / 0.45359237, 3)),
            ),
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "pounds not in the header": (
        {
            "lab.csv": lab(
                "Athlete,Test date,Mode,VO2max (mL/kg/min),Weight",
                cells=lambda o: (o[0], o[4], "run", o[6], round(o[5] / 0.45359237, 3)),
            ),
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "litres a minute": (
        {
            "lab.csv": lab(
                "Athlete,Test date,Mode,VO2 [L/min],Mass [kg],RER",
                cells=lambda o: (o[0], o[4], "run", round(o[6] * o[5] / 1000, 4), o[5], o[7]),
            ),
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "litres a minute not in the header": (
        {
            "lab.csv": lab(
                "Athlete,Test date,Mode,VO2max,Mass [kg],RER",
                cells=lambda o: (o[0], o[4], "run", round(o[6] * o[5] / 1000, 4), o[5], o[7]),
            ),
            "watch.csv": watch(),
        },
        {"vo2max_ml_kg_min": "L/min"},
        1,
    ),
    "day first, decided": (
        {"lab.csv": lab(form="%d/%m/%Y"), "watch.csv": watch(form="%d.%m.%Y")},
        {},
        0,
    ),
    "day first, not decided": (
        {
            "lab.csv": lab(form="%d/%m/%Y").rsplit("\n", 2)[0] + "\n",
            "watch.csv": watch(),
        },
        {"date_order": "day-first"},
        1,
    ),
    "date order in the header": (
        {
            "lab.csv": lab(
                "id,Date (dd/mm/yyyy),mode,VO2max (ml/kg/min),mass (kg)",
                cells=lambda o: (o[0], f"{o[4]:%d/%m/%Y}", "run", o[6], o[5]),
            ).rsplit("\n", 2)[0]
            + "\n",
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "months in words": (
        {"lab.csv": lab(form="%d %b %Y"), "watch.csv": watch(form="%B %d %Y")},
        {},
        0,
    ),
    "month first": (
        {"lab.csv": lab(form="%m/%d/%Y"), "watch.csv": watch(form="%m/%d/%Y")},
        {},
        0,
    ),
    "times without a zone": (
        {"lab.csv": lab(), "watch.csv": watch(form="%Y-%m-%d 07:30")},
        {"time_zone": "Europe/Oslo"},
        1,
    ),
    "date and clock time apart": (
        {
            "lab.csv": lab(),
            "watch.csv": watch(
                "Athlete,Date,Time,Sport,VO2max",
                cells=lambda w, d, v: (w, d, "7:30 AM", "running", v),
            ),
        },
        {"time_zone": "Europe/Oslo"},
        1,
    ),
    "comma decimals": (
        {
            "labor.csv": lab(
                "Kürzel,Datum,Sportart,VO2max (ml/min/kg),Gewicht [kg],RER,HFmax",
                sep=";",
                dec=True,
                form="%d.%m.%Y",
                mode="Laufen",
            ),
            "uhr.csv": watch(),
        },
        {},
        0,
    ),
    "Latin-1 text": (
        {
            "labor.csv": lab(
                "Kürzel,Datum,Sportart,VO2max (ml/min/kg),Körpergewicht [kg]",
                sep=";",
                dec=True,
                cells=lambda o: (o[0], o[4], "Laufen", o[6], o[5]),
            ).encode("latin-1"),
            "uhr.csv": watch(),
        },
        {},
        0,
    ),
    "French": (
        {
            "laboratoire.csv": lab(
                "Sujet,Date du test,Sport,VO2max (ml/kg/min),Poids (kg),QR,FC max",
                sep=";",
                dec=True,
                mode="course",
            ),
            "montre.csv": watch(),
        },
        {},
        0,
    ),
    "Spanish, sex H and M": (
        {
            "laboratorio.csv": lab(
                "Código,Fecha,Modalidad,Sexo,VO2max (ml/kg/min),Peso (kg)",
                sep=";",
                cells=lambda o: (o[0], o[4], "carrera", "H" if o[1] == "male" else "M", o[6], o[5]),
            ),
            "reloj.csv": watch(),
        },
        {'"H"': "male", '"M"': "female"},
        2,
    ),
    "sex 1 and 2": (
        {
            "lab.csv": lab(
                "id,date,mode,sex,vo2max_ml_kg_min,mass_kg",
                cells=lambda o: (o[0], o[4], "run", 1 if o[1] == "male" else 2, o[6], o[5]),
            ),
            "watch.csv": watch(),
        },
        {'"1"': "male", '"2"': "female"},
        2,
    ),
    "sex told in the header": (
        {
            "lab.csv": lab(
                "id,date,mode,Sex (1=male 2=female),vo2max_ml_kg_min,mass_kg",
                cells=lambda o: (o[0], o[4], "run", 1 if o[1] == "male" else 2, o[6], o[5]),
            ),
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "no mode anywhere": (
        {
            "lab.csv": lab(
                "id,date,vo2max_ml_kg_min,mass_kg", cells=lambda o: (o[0], o[4], o[6], o[5])
            ),
            "watch.csv": watch("id,taken_at,vo2max_ml_kg_min", cells=lambda w, d, v: (w, d, v)),
        },
        RUN,
        2,
    ),
    "unequal ids": (
        {"lab.csv": lab(), "watch.csv": watch(who=lambda w: w.lower().replace("0", "-0"))},
        {"id_map": "ids.csv"},
        1,
    ),
    "one file for each athlete": (
        {"lab.csv": lab()}
        | {
            f"watch {who[0]}.csv": watch(
                "Date,Sport,VO2max", only=who[0], cells=lambda _, d, v: (d, "run", v)
            )
            for who in LAB
        },
        {},
        0,
    ),
    "one file for each athlete, units apart": (
        {
            f"cart {o[0]}.csv": csv(
                [
                    [
                        "id",
                        "date",
                        "mode",
                        "VO2max (L/min)" if i % 2 else "VO2max (mL/min)",
                        "mass (kg)",
                        "RER",
                    ],
                    [o[0], o[4], "run", round(o[6] * o[5] / (1000 if i % 2 else 1), 4), o[5], o[7]],
                ]
            )
            for i, o in enumerate(LAB)
        }
        | {"watch.csv": watch()},
        {},
        0,
    ),
    "subject above the header": (
        {
            f"cart {i}.csv": f"Spiro laboratory\nSubject: {o[0]}\nMode: Running\n"
            f"Test date,VO2max (mL/kg/min),Mass (kg),RER\n{o[4]},{o[6]},{o[5]},{o[7]}\n"
            for i, o in enumerate(LAB)
        }
        | {"watch.csv": watch()},
        {},
        0,
    ),
    "a workbook with extra sheets": (
        {
            "all.xlsx": {
                "Read me": [["Made by the laboratory"]],
                "Lab": table(lab()),
                "Watch": [
                    ["athlete_id", "taken_at", "mode", "vo2max_ml_kg_min"],
                    *((w, d, "run", v) for w, d, v in READINGS),
                ],
                "Chart": [["x"], [1]],
            }
        },
        {},
        0,
    ),
    "typed dates and times in a workbook": (
        {
            "lab.csv": lab(),
            "watch.xlsx": {
                "Sheet1": [
                    ["Athlete", "Timestamp", "Mode", "VO2max"],
                    *((w, at(d), "run", v) for w, d, v in READINGS),
                ]
            },
        },
        {"time_zone": "Europe/Oslo"},
        1,
    ),
    "methods side by side with the laboratory": (
        {
            "squad.csv": lab(
                "Code,Date,Mode,Lab VO2max (mL/kg/min),Watch VO2max (mL/kg/min),Mass (kg)",
                cells=lambda o: (o[0], o[4], "run", o[6], round(o[6]), o[5]),
            )
        },
        {"same_day": True},
        1,
    ),
    "a footer with means": (
        {
            "lab.csv": lab() + "Mean,,,52.8,72.8,1.13,189.6\nSD,,,6.8,9.6,0.03,7\n",
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "predicted and threshold values beside the maximum": (
        {
            "lab.csv": lab(
                "id,date,mode,VO2 at VT1 (mL/kg/min),VO2max predicted (mL/kg/min),VO2max (mL/kg/min),% predicted,Mass (kg)",
                cells=lambda o: (o[0], o[4], "run", 33.3, 41.1, o[6], 120, o[5]),
            ),
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "relative and absolute values": (
        {
            "lab.csv": lab(
                "id,date,mode,VO2max (mL/kg/min),VO2max (L/min),Mass (kg)",
                cells=lambda o: (o[0], o[4], "run", o[6], round(o[6] * o[5] / 1000, 3), o[5]),
            ),
            "watch.csv": watch(),
        },
        {},
        0,
    ),
    "a device's export with its profile": (
        {
            "lab.csv": lab(),
            "export.csv": watch(
                "Athlete,Device,Date,Sport,VO2max,Profile weight (kg)",
                cells=lambda w, d, v: (w, "Wrist A", d, "running", v, 70),
            ),
        },
        {},
        0,
    ),
    "treadmill and ergometer": (
        {"lab.csv": lab(mode="treadmill"), "watch.csv": watch()},
        {'"treadmill"': "run"},
        1,
    ),
    "an open document workbook in two languages": (
        {
            "Labor.ods": open_document(
                {
                    "Tests": [
                        ["Leistungstest / Performance test"],
                        [],
                        [
                            "Kürzel / Code",
                            "Datum / Date",
                            "Sportart / Sport",
                            "VO2max rel. (ml/min/kg)",
                            "Gewicht / Weight (kg)",
                            "HFmax / HRmax (1/min)",
                            "RER",
                        ],
                        *(
                            [w, day, "Laufen / Running", vo2, mass, hr, rer]
                            for w, _, _, _, day, mass, vo2, rer, hr in LAB
                        ),
                    ],
                    "Personen": [
                        ["Code", "Geschlecht / Sex", "Alter / Age"],
                        *(
                            [w, {"male": "männlich / male", "female": "weiblich / female"}[s], a]
                            for w, s, a, *_ in LAB
                        ),
                    ],
                    "Notiz": [["x"]],
                }
            ),
            "Uhr.csv": watch(
                "Teilnehmer / Participant;Zeit / Time;Sportart / Sport;VO2max".replace(";", ","),
                sep=";",
                cells=lambda w, d, v: (w, f"{at(d):%d.%m.%Y %H:%M}", "Laufen / Running", v),
            ),
        },
        {"time_zone": "Europe/Oslo"},
        1,
    ),
    "a folder for each athlete with a file for each month": (
        {
            "cart.csv": lab(
                "Subject,Test date,VO2 peak (L/min),Body mass [lbs],Protocol",
                cells=lambda o: (
                    o[0],
                    f"{o[4]:%m/%d/%Y}",
                    round(o[6] * o[5] / 1000, 4),
                    round(o[5] / 0.45359237, 3),
                    "ramp",
                ),
            )
        }
        | {
            f"{who[0]}/device_{month:%B}.csv": watch(
                "Date,Fitness (VO2max)",
                cells=lambda _, d, v: (f"{d:%d %b %Y}", v),
                only=who[0],
                month=month.month,
            )
            for who in LAB
            for month in {d.month: d for w, d, _ in READINGS if w == who[0]}.values()
        },
        RUN,
        2,
    ),
    "tables below one another, and a column for each athlete": (
        {
            "lab.csv": "".join(
                f"Athlete: {o[0]}\nDate,VO2max (ml/kg/min),Mass (kg),RER,Mode\n"
                f"{o[4]},{o[6]},{o[5]},{o[7]},run\n\n"
                for o in LAB
            ),
            "wrist readings.csv": csv(
                [
                    ["date", *(o[0] for o in LAB)],
                    *(
                        [
                            day,
                            *(
                                "".join(str(v) for w, d, v in READINGS if (w, d) == (o[0], day))
                                for o in LAB
                            ),
                        ]
                        for day in sorted({d for _, d, _ in READINGS})
                    ),
                ]
            ),
        },
        RUN,
        1,
    ),
}
