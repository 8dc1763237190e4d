"""Navigation between the pages, and nothing else."""

from __future__ import annotations

import streamlit as st

from dashboard import alert_banner, data, icon, style

st.set_page_config(page_title=data.page_title(), page_icon=str(icon.FILE), layout="wide")
page = st.navigation(
    [
        st.Page("views/booth.py", title="Booth", default=True),
        st.Page("views/rack.py", title="Rack", url_path="rack"),
        st.Page("views/week.py", title="Week", url_path="week"),
        st.Page("views/coats.py", title="Coats", url_path="coats"),
        st.Page("views/sanding.py", title="Sanding", url_path="sanding"),
        st.Page("views/air.py", title="Air", url_path="air"),
        st.Page("views/ledger.py", title="Ledger", url_path="ledger"),
    ],
    position="top",
)
style.apply()
alert_banner.show()
page.run()
