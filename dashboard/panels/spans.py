"""How much of a large archive a page looks at: about so many of the newest runs, or all, kept in the page's address."""

from __future__ import annotations

import streamlit as st

SPANS: dict[str, int | None] = {"500": 500, "1000": 1000, "2500": 2500, "5000": 5000, "all": None}
USUAL = 500  # runs of an oven
USUAL_INSPECTED = 500  # inspected runs: permuting them costs more each


def asked(total: int, key: str, what: str, why: str, usual: int = USUAL) -> int | None:
    """The span chosen; not asked for while `total` fits into the `usual` one. `what` is counted, `why` stands behind the "?"."""
    if total <= usual:
        return usual
    offered = [name for name, n in SPANS.items() if n is None or usual <= n < total]
    now = st.query_params.get("runs")
    name = st.selectbox(
        f"{what[0].upper()}{what[1:]} to look at",
        offered,
        index=offered.index(now) if now in offered else 0,
        format_func=lambda n: f"all {total:,}" if n == "all" else f"the newest {int(n):,}",
        key=key,
        help=why,
    )
    st.query_params["runs"] = name
    return SPANS[name]
