"""The look of the pages: one style sheet, put into every page once.

It sees to three things the framework leaves open: controls big enough for a gloved finger (48 px and more),
tiles that read in both themes, and a banner that says so when the numbers on screen are no longer live.
"""

from __future__ import annotations

from typing import Final

import streamlit as st

SHEET: Final = """
[data-testid="stMainBlockContainer"]{padding:3.9rem 1.1rem 4rem;max-width:100rem}
[data-testid="stMainBlockContainer"]>[data-testid="stVerticalBlock"]{gap:.7rem}

/* -- fingers in gloves ------------------------------------------------------------------------------- */
.stButton button,.stFormSubmitButton button,.stDownloadButton button,[data-testid="stPopoverButton"]
 {min-height:3.4rem;min-width:3.4rem;font-weight:600}
[data-testid="stPageLink-NavLink"]{min-height:3rem;padding:.5rem .9rem}
[data-testid="stTextInputRootElement"],[data-testid="stNumberInputContainer"],
[data-testid="stSelectbox"] [role=group],[data-testid="stDateInput"] [role=group],
[data-testid="stTimeInput"] [role=group]{min-height:3.25rem}
[data-testid="stDateInputField"],[data-testid="stTextInput"] input,[data-testid="stNumberInput"] input
 {min-height:3.1rem}
[data-testid="stNumberInputStepDown"],[data-testid="stNumberInputStepUp"]{width:3.4rem;min-height:3.1rem}
[data-testid="stSelectbox"] [role=group] button,[data-testid="stDateInput"] button,
[data-testid="stTimeInput"] button{min-width:3.1rem;min-height:3.1rem}
[data-testid="stTopNavLink"]{min-height:3rem;min-width:5.5rem;padding-inline:1.1rem;justify-content:center}
[data-testid="stTopNavLink"] span{font-size:1.1rem;font-weight:600}
[data-testid="stExpander"] summary{min-height:3.25rem}
[data-testid="stCheckbox"] label{min-height:3rem;align-items:center}
[data-testid="stRadio"] label{min-height:3rem;align-items:center}
[data-testid="stElementToolbar"] button{min-width:3rem;min-height:3rem}
[data-testid="stButtonGroup"] button{min-height:3.2rem;min-width:4.2rem;border-radius:6px}
[data-testid="stButtonGroup"] button[data-selected=true]{background:#0F5C63!important;border-color:#0F5C63!important}
[data-testid="stButtonGroup"] button[data-selected=true] *{color:#fff!important;font-weight:700}
[data-testid="stTabs"] [role=tab]{min-height:3.2rem;padding-inline:1rem}
[role=option]{min-height:3rem}
[data-testid="stMainMenuButton"]{min-width:3rem;min-height:3rem}

/* -- old numbers must not look live ------------------------------------------------------------------ */
[data-testid="stApp"]:not([data-test-connection-state="CONNECTED"]):not([data-test-script-state="initial"])::after
 {content:"⚠ NOT CONNECTED – the values on this page are old";position:fixed;inset:auto 0 0 0;padding:1rem;
  background:#7A0014;color:#fff;text-align:center;font-weight:700;font-size:1.2rem;z-index:999999}

/* -- our own tiles ----------------------------------------------------------------------------------- */
.tf{--line:color-mix(in srgb,currentColor 28%,transparent);--quiet:color-mix(in srgb,currentColor 76%,transparent);
 --wash:color-mix(in srgb,currentColor 6%,transparent);line-height:1.3;font-variant-numeric:tabular-nums}
.tf small,.tf .quiet{color:var(--quiet);font-size:.86rem}
.tf img{flex:none;display:block}
.tf-band{display:grid;grid-template-columns:auto 1fr auto;gap:.2rem 1.1rem;align-items:center;padding:.8rem 1.2rem;
 border-radius:6px;border:3px solid transparent}
.tf-band .what{display:flex;flex-wrap:wrap;gap:0 1rem;align-items:baseline;font-size:1.35rem;font-weight:700}
.tf-band .word{font-size:3rem;font-weight:800;letter-spacing:.02em;line-height:1.1}
.tf-band .why{font-size:1.12rem;font-weight:500}
.tf-band .when{text-align:right;font-size:.95rem}
.tf-band .when b{font-size:1.5rem;display:block;line-height:1.1}
@media (max-width:1000px){.tf-band{padding:.6rem .9rem;column-gap:.8rem}.tf-band .what{font-size:1.15rem}
 .tf-band .why{font-size:1.02rem}.tf-band .when b{font-size:1.25rem}.tf-band .word{font-size:2.6rem}}
.tf-band.go{background:#0B5F45;color:#fff}
.tf-band.marginal{background:#F2B632;color:#221A00}
.tf-band.hold{background:#94192B;color:#fff}
.tf-band.cannot-tell{background:repeating-linear-gradient(135deg,#3E4854 0 14px,#47525F 14px 28px);color:#fff}
.tf-caution{border:2px solid #94192B;border-left-width:12px;border-radius:6px;padding:.5rem .9rem;font-weight:600}
.tf-note{border-left:6px solid var(--line);padding:.25rem .9rem}
.tf-warn{border:2px solid #B4690E;border-left-width:12px;border-radius:6px;padding:.5rem .9rem;font-weight:600}

.tf-gap{margin-bottom:.65rem}
/* The lit tab names the page; its heading is for those who listen, and the shop's name sits beside the tabs. */
.tf-heading{position:fixed;top:0;right:1.2rem;height:3.75rem;display:flex;align-items:center;z-index:999991;
 pointer-events:none}
.tf-heading h1{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}
@media (max-width:1000px){.tf-heading .quiet{display:none}}
[data-testid="stElementContainer"]:has(.tf-heading),[data-testid="stElementContainer"]:has(>[data-testid="stHtml"]>style)
 {position:absolute;height:0}
.tf-two{display:grid;grid-template-columns:minmax(0,1.15fr) minmax(0,1fr);gap:1rem;align-items:start}
@media (max-width:1000px){.tf-two{grid-template-columns:minmax(0,1fr);gap:.7rem}}
.tf-limits{border-top:1px solid var(--line)}
.tf-limit{display:grid;grid-template-columns:8rem 1fr auto;gap:.05rem .8rem;align-items:baseline;
 padding:.38rem .2rem;border-bottom:1px solid var(--line)}
.tf-limit .state{font-weight:700;display:flex;gap:.45rem;align-items:center;align-self:center;grid-row:span 2}
.tf-limit .name{font-weight:600}
.tf-limit .value{font-weight:700;text-align:right;white-space:nowrap}
.tf-limit .why{grid-column:2/-1;font-size:.9rem;color:var(--quiet)}
.tf-limit .why b{color:inherit;font-weight:650}
.tf-limit.hold,.tf-limit.cannot-tell{background:var(--wash)}
.tf-ways .tf-limit{grid-template-columns:10rem 1fr}
.tf-ways .tf-limit .state{grid-row:auto}
/* Eight limits within the first screenful of a laptop. */
@media (min-width:1001px) and (max-height:900px){.tf-two{grid-template-columns:minmax(0,1.4fr) minmax(0,1fr)}
 .tf-limit{padding:.2rem;column-gap:.5rem}.tf-limit .why{font-size:.86rem;line-height:1.22}}

.tf-tiles{display:grid;grid-template-columns:repeat(auto-fill,minmax(9.3rem,1fr));gap:.55rem}
.tf-tile{border:1px solid var(--line);border-radius:6px;padding:.5rem .75rem;background:var(--wash);
 display:flex;flex-direction:column;min-width:0}
@media (min-width:1001px) and (max-height:900px){.tf-tile{padding:.3rem .75rem}}
.tf-tile .name{font-size:.92rem;font-weight:600;color:var(--quiet)}
.tf-tile .value{font-size:1.75rem;font-weight:700;line-height:1.15;white-space:nowrap}
.tf-tile .value span{font-size:1rem;font-weight:500;margin-left:.2rem}
.tf-tile .foot{font-size:.82rem;color:var(--quiet);margin-top:auto}
.tf-tile.old{border-style:dashed;border-width:2px}
.tf-tile.old .value{text-decoration:line-through;text-decoration-thickness:2px;opacity:.75}

.tf-table{width:100%;border-collapse:collapse}
.tf-table th,.tf-table td{text-align:left;padding:.5rem .7rem;border-bottom:1px solid var(--line);vertical-align:top}
.tf-table th{font-weight:600;color:var(--quiet);font-size:.9rem}
.tf-scroll{overflow-x:auto}

.tf-card{display:grid;gap:.15rem}
.tf-card .head{display:flex;justify-content:space-between;gap:.8rem;align-items:baseline}
.tf-card .title{font-size:1.25rem;font-weight:700}
.tf-card .open{display:inline-block;background:#A8431B;color:#fff;font-weight:700;padding:.1rem .6rem;
 border-radius:4px;white-space:nowrap}
.tf-card .clock{font-size:1.3rem;font-weight:700}
.tf-card .late{font-weight:700;text-decoration:underline}
.tf-table td.tf-whole{white-space:nowrap}
.tf-stands{display:inline-flex;gap:.4rem;align-items:center;font-weight:700;white-space:nowrap}
h1{font-size:1.7rem!important;padding:.1rem 0!important}
h2{font-size:1.3rem!important;padding:.3rem 0 .1rem!important}
"""


def apply() -> None:
    """Put the style sheet into the page being built."""
    st.html(f"<style>{SHEET}</style>")
