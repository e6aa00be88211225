"""Parts of the page *Defects*: which, where and with what; the evidence; what moves together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
import streamlit as st

from analysis.defects.linking import CHANCE, Link
from analysis.defects.overview import DefectLine, places_by_orientation
from analysis.defects.report import DefectReport, LinkDetail, sentence, sides_of
from dashboard.figures import defects as figures
from dashboard.page_data import Book
from dashboard.panels import defects_data, page
from dashboard.panels.downloads import draw

MOST_SHOWN = 8  # links in the chart; more are in the table


def show_lines(lines: Sequence[DefectLine]) -> None:
    """Every defect with its share of runs and its interval."""
    names = [line.defect for line in lines]
    chart = figures.share_points(
        names, [line.runs.count for line in lines], [line.runs.n for line in lines], "share of inspected runs with it"
    )
    said = "; ".join(f"{line.defect} on {line.runs.count} of {line.runs.n} runs" for line in lines)
    draw(chart, "defect-shares", f"{said}.", "Share of inspected runs with each defect")


def show_where(found: DefectReport, line: DefectLine) -> None:
    """Counts first, then where on the oven and on the board."""
    runs, joints = line.runs, line.joints
    text = (
        f"**{line.defects}** on **{runs.count} of {runs.n}** inspected runs ({runs.low:.0%} to {runs.high:.0%} of runs)"
    )
    if joints.dpmo is not None:
        looked = f"{joints.opportunities:,}".replace(",", "\u202f")
        text += (
            f"; {joints.defects} in {looked} joints looked at, {joints.dpmo:.0f} per million "
            f"({joints.low:.0f} to {joints.high:.0f})"
        )
    st.markdown(text + ".")
    if line.blind:
        st.caption(f"{line.blind} runs were looked at by a method that cannot show it; they are not counted.")
    for kind, name, count, of in line.places:
        st.markdown(page.plain(f"{count} of the {of} with a {kind} noted: {name}."))
    for pair in sides_of(found.records, line.defect):
        st.markdown(page.plain(pair.reading))
    table = places_by_orientation(found.records, line.defect)
    if len(table) and len(table.columns) > 2:
        st.caption(
            "Runs with it by place on the board and by how the board lay: what follows the side changes, a part stays."
        )
        page.table(table.rename(columns={"ref_des": "place"}), f"{line.defect}-places")


def show_evidence(book: Book, found: DefectReport, defect: str, newest: int | None) -> None:
    """The strongest link in words, all of them as a chart and a table, and one looked at closely."""
    mine = [k for k in found.links if k.defect == defect]
    if not mine:
        st.markdown("No factor can be compared yet. What is missing stands at the end of this page.")
        return
    beyond = [k for k in mine if k.grade != CHANCE]
    if not beyond:
        st.markdown(f"Nothing recorded here goes with {page.plain(defect)} beyond chance.")
    else:
        show_link(beyond[0])
    drawn = [k for k in (beyond or mine)[:MOST_SHOWN] if k.a is not None and k.b is not None]
    if drawn:
        pairs = [(k.factor.label, k.a, k.b) for k in drawn if k.a and k.b]
        said = "; ".join(
            f"{name}: {a.with_defect} of {a.runs} against {b.with_defect} of {b.runs}" for name, a, b in pairs
        )
        draw(figures.contrast_points(pairs), f"{defect}-contrasts", f"{said}.", f"Runs with {defect}, by factor")
    with st.expander("Everything that was looked at", expanded=False):
        st.caption(
            "p compares runs inside board and lot, by permuting whole runs. q is corrected for all the looks, and decides the "
            "grade. A number of looks this large gives finds by chance; p alone says little."
        )
        page.table(pd.DataFrame([_row(k) for k in mine]), f"{defect}-links")
    labels = {k.factor.name: k.factor.label for k in mine}
    chosen = st.selectbox(
        "Look closely at", list(labels), format_func=lambda name: labels[name], key=f"closely-{defect}"
    )
    closer = defects_data.link_detail(book, defect, chosen, newest)
    if closer is not None:
        show_detail(closer, is_first=bool(beyond) and chosen == beyond[0].factor.name)


def show_link(link: Link) -> None:
    st.html(
        f'<div class="ob-verdict"><p class="ob-first">{page.escaped(link.grade[:1].upper() + link.grade[1:])}</p>'
        f"<p>{page.escaped(sentence(link))}</p><p>{page.escaped(' '.join(about(link)))}</p></div>"
    )


def about(link: Link) -> list[str]:
    """Difference, mechanism, the largest stratum and reservations, a sentence each."""
    out = []
    if link.effect is not None:
        out.append(
            f"Difference {link.effect.value:+.0%} of runs ({link.effect.low:+.0%} to {link.effect.high:+.0%}); "
            f"p = {link.p:.2g} inside board and lot, q = {link.q:.2g} for all that was looked at."
        )
    if link.mechanism is not None:
        out.append(
            f"{'Agrees with' if link.agrees else 'Is against'} the published direction ({link.mechanism.source})."
        )
    if link.largest_stratum:
        out.append(link.largest_stratum)
    if link.reservations:
        out.append(f"But {'; '.join(link.reservations)}.")
    return out


def show_detail(closer: LinkDetail, *, is_first: bool) -> None:
    link = closer.link
    if not is_first:
        st.markdown(page.plain(f"{link.grade[:1].upper()}{link.grade[1:]}. {sentence(link)} {' '.join(about(link))}"))
    if link.factor.numeric and len(closer.values):
        inside = closer.values.loc[closer.values["inside"], "value"].astype(float)
        rest = closer.values.loc[~closer.values["inside"], "value"].astype(float)
        cut = (inside.min() + rest.max()) / 2 if link.z > 0 else (inside.max() + rest.min()) / 2
        limit = closer.limit.limit if closer.limit else None
        chart = figures.value_strip(closer.values, link.factor.label, link.factor.unit, float(cut), limit)
        draw(
            chart,
            f"{link.defect}-{link.factor.name}",
            sentence(link),
            f"{link.defect} and {link.factor.label}",
            closer.values,
        )
    said = []
    if closer.odds is not None and closer.odds.odds_ratio is not None:
        said.append(
            f"Inside {closer.odds.strata} strata the odds are {closer.odds.odds_ratio:.2g} times as high "
            f"({closer.odds.low:.2g} to {closer.odds.high:.2g}, Mantel-Haenszel; exact p = {closer.odds.p:.2g})."
        )
    elif closer.odds is not None:
        said.append(f"Odds inside strata: not evaluated, because {closer.odds.reason}.")
    if closer.counts is not None:
        said.append(
            f"Defects per {closer.counts.per}: {closer.counts.ratio:.2g} times as many ({closer.counts.low:.2g} to "
            f"{closer.counts.high:.2g}; counts scatter {closer.counts.spread:.1f} times as much as chance, allowed for)."
        )
    if said:
        st.markdown(page.plain(" ".join(said)))
    if closer.limit is not None:
        st.markdown("A limit that would have prevented it")
        text = closer.limit.sentence(link.factor.label, link.factor.unit)
        st.markdown(page.plain(text[:1].upper() + text[1:]))
        if closer.limit.limit is not None:
            st.caption("Found on the runs that suggested it: try it in a planned trial before it becomes a limit.")


def show_entangled(found: DefectReport, defect: str) -> None:
    """What moves together, and whether these runs can tell it apart."""
    for knot in (k for k in found.entangled if k.defect == defect):
        st.markdown(page.plain(" ".join((*knot.told_apart, *knot.cannot, knot.how_to_tell))))


def show_advice(found: DefectReport) -> None:
    for title, lines in (
        ("What can be said", found.advice.can),
        ("What cannot be said", found.advice.cannot),
        ("What to record next", found.advice.record_next),
    ):
        if lines:
            st.subheader(title, anchor=False)
            st.markdown("\n".join(f"- {page.plain(text)}" for text in lines))


def _row(link: Link) -> dict[str, Any]:
    def side(s: Any) -> str:
        return "" if s is None else f"{s.with_defect} of {s.runs} with {s.text}"

    return {
        "factor": link.factor.label,
        "grade": link.grade,
        "this side": side(link.a),
        "other side": side(link.b),
        "difference": ""
        if link.effect is None
        else f"{link.effect.value:+.0%} ({link.effect.low:+.0%} to {link.effect.high:+.0%})",
        "p": f"{link.p:.2g}",
        "q": f"{link.q:.2g}",
        "moves with": ", ".join(link.confounded_with),
    }
