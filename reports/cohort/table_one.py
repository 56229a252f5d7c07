"""The baseline table of a cohort as CSV, as a page, and for LaTeX."""

from __future__ import annotations

import csv
import html
import io
from itertools import groupby

from pipelines.cohorts.table_one import HIDDEN, Line, TableOne
from pipelines.rounding import rounding_note

NOTE = (
    f"Shares and medians are of those in whom it is recorded. {HIDDEN}: a small count, or one that would give a small "
    "one away. Difference: the largest standardised difference between two groups; above 0.1 they are often called "
    "unlike. Unlike groups must not be compared without more, and no difference here is an effect."
)


def notes_of(table: TableOne) -> str:
    """What a reader must know beside the table."""
    return f"{NOTE} {rounding_note(table.round_to)}" if table.round_to > 1 else NOTE


def table_one_csv(table: TableOne) -> str:
    """One line a value."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["field", "label", "value", *table.groups, "all", "standardised_difference"])
    writer.writerow(["", "Patients", "", *table.sizes, ""])
    writer.writerows(
        [line.field, line.label, line.value, *line.cells, _difference(line.difference)] for line in table.lines
    )
    return text.getvalue()


def table_one_html(table: TableOne, title: str) -> str:
    """A page that needs nothing else."""
    head = "".join(
        f'<th scope="col">{html.escape(name).replace("_", "_<wbr>")}</th>' for name in (*table.groups, "all")
    )
    sizes = "".join(f"<td>{size}</td>" for size in table.sizes)
    body = "".join(
        _block(label, list(lines), len(table.sizes) + 1)
        for label, lines in groupby(table.lines, lambda line: line.label)
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width"><title>{html.escape(title)}</title>'
        f"<style>{_STYLE}</style></head><body><main><h1>{html.escape(title)}</h1>"
        f"<p>By {html.escape(table.by)}. {notes_of(table)}</p>"
        '<div role="region" aria-label="Baseline table" tabindex="0"><table><thead>'
        f'<tr><td></td>{head}<th scope="col">difference</th></tr>'
        f'<tr><th scope="row">Patients</th>{sizes}<td></td></tr></thead>{body}</table></div></main></body></html>\n'
    )


def table_one_latex(table: TableOne, title: str) -> str:
    """A table over pages, 17 cm wide, by pandas; the document needs the packages array, booktabs and longtable."""
    import pandas as pd

    rows = [["Patients", "", *table.sizes, ""]]
    for label, lines in groupby(table.lines, lambda line: line.label):
        for number, line in enumerate(lines):
            rows.append(["" if number else label, line.value, *line.cells, _difference(line.difference)])
    names = [name.replace("_", " ") for name in table.groups]
    frame = pd.DataFrame(rows, columns=["", " ", *names, "all", "difference"])
    styler = frame.style.hide(axis="index").format(escape="latex").format_index(escape="latex", axis=1)
    text = styler.to_latex(
        column_format=_LATEX_LEFT * 2 + _LATEX_NUMBERS % (_LATEX_CM / (len(names) + 2)) * (len(names) + 2),
        hrules=True,
        environment="longtable",
        caption=_latex(f"{title}, by {table.by}"),
    )
    needs = "% needs: \\usepackage{array, booktabs, longtable} and lines of 17 cm\n"
    return f"{needs}{{\\footnotesize \\setlength{{\\tabcolsep}}{{2pt}}\n{text}}}\n{_latex(notes_of(table))}\n"


_LATEX_LEFT = r">{\raggedright\arraybackslash}p{2.8cm}"
_LATEX_NUMBERS = r">{\raggedleft\arraybackslash}p{%.2fcm}"
_LATEX_CM = 10.4
"""What is left of 17 cm beside the two columns of words, without the gaps between columns."""


def _latex(text: str) -> str:
    """Text in which LaTeX's own signs are letters."""
    return "".join(_LATEX_SIGNS.get(letter, letter) for letter in text)


_LATEX_SIGNS = {sign: f"\\{sign}" for sign in "&%$#_{}"} | {
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "\\": r"\textbackslash{}",
}


def _block(label: str, lines: list[Line], columns: int) -> str:
    rows = "".join(
        f'<tr><th scope="row">{html.escape(line.value)}</th>'
        + "".join(f"<td>{html.escape(cell)}</td>" for cell in line.cells)
        + f"<td>{_difference(line.difference)}</td></tr>"
        for line in lines
    )
    heading = f'<tr class="field"><th scope="rowgroup" colspan="{columns + 1}">{html.escape(label)}</th></tr>'
    return f"<tbody>{heading}{rows}</tbody>"


def _difference(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"


_STYLE = """
body { font: 14px/1.4 sans-serif; color: #1c2126; background: #fff; max-width: 75rem; margin: 2rem auto;
  padding: 0 1rem }
table { border-collapse: collapse; font-variant-numeric: tabular-nums }
th, td { padding: .2rem .8rem; text-align: right; border-bottom: 1px solid #eceeef; font-weight: normal }
td { white-space: nowrap }
[role="region"] { overflow-x: auto }
th:first-child { text-align: left; padding-left: 1.6rem }
thead th { font-weight: bold } thead tr:last-child > * { border-bottom: 1px solid #84898d }
thead th:first-child { padding-left: .8rem }
.field th { font-weight: bold; padding: .6rem .8rem .2rem; border: 0 }
@media print { body { font-size: 9pt; margin: 0; max-width: none } [role="region"] { overflow: visible }
  thead { display: table-header-group }
  tbody { break-inside: avoid } }
"""
