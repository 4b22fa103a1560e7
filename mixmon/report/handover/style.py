"""The colours and the style sheet of the page.

Colours stand in two tables, one a scheme; the style sheet names them alone, so that `tools/check_page.py` can
compute the contrast of every text on every background. Names of texts begin with text, of grounds with back;
a line is neither. On paper the light scheme holds, whatever the screen has.
"""

from __future__ import annotations

from typing import Final

SCHEMES: Final = {
    "light": {
        "text": "#16191d",
        "text-quiet": "#4a525b",
        "text-link": "#0b4a8f",
        "text-lean": "#8a2f06",
        "text-rich": "#0b4a8f",
        "back": "#ffffff",
        "back-band": "#f1f3f5",
        "back-lean": "#fdeadd",
        "back-rich": "#e2eefb",
        "back-doubt": "#fff1c2",
        "line": "#aab2bb",
        "line-strong": "#5a636d",
        "line-lean": "#c04a12",
        "line-rich": "#1b66b5",
    },
    "dark": {
        "text": "#eceff2",
        "text-quiet": "#b6bfc9",
        "text-link": "#9fcbff",
        "text-lean": "#ffb98f",
        "text-rich": "#9fcbff",
        "back": "#14181c",
        "back-band": "#1e242a",
        "back-lean": "#3f2415",
        "back-rich": "#16304b",
        "back-doubt": "#453708",
        "line": "#5a646e",
        "line-strong": "#9aa4ae",
        "line-lean": "#ff9b5f",
        "line-rich": "#6db3ff",
    },
}
"""Lean is orange-vermilion and rich blue, which people with a colour-vision deficiency tell apart; signs,
words and places say the same (our choice, as on the screens)."""


def _variables(scheme: str) -> str:
    return "".join(f"--{name}:{colour};" for name, colour in SCHEMES[scheme].items())


def style_sheet() -> str:
    """The style sheet of the page."""
    rule = f":root{{color-scheme:dark;{_variables('dark')}}}"
    dark = f"@media screen and (prefers-color-scheme: dark){{{rule}}}"
    return f":root{{color-scheme:light;{_variables('light')}}}\n{dark}\n{_STYLE_RULES}"


_STYLE_RULES: Final = """\
*{box-sizing:border-box}
body{margin:0 auto;padding:1.2rem;max-width:62rem;background:var(--back);color:var(--text);
font:1rem/1.5 system-ui,sans-serif;overflow-wrap:break-word}
h1{font-size:1.6rem;line-height:1.2;margin:0 0 .3rem}
h2{font-size:1.25rem;margin:2.2rem 0 .5rem;border-bottom:2px solid var(--line);padding-bottom:.2rem}
h3{font-size:1.05rem;margin:1.4rem 0 .4rem}
p{margin:.5rem 0;max-width:48rem}
ul{margin:.5rem 0;padding-left:1.3rem;max-width:48rem}
a{color:var(--text-link)}
.quiet,caption,figcaption{color:var(--text-quiet)}
.answer{border:2px solid var(--line-strong);border-radius:.4rem;padding:.8rem 1rem;margin:1rem 0;
background:var(--back-band)}
.answer.doubt{background:var(--back-doubt)}
.answer h2{margin-top:0;border:0}
.answer .said{font-size:1.25rem;line-height:1.35;font-weight:600;margin:.2rem 0;max-width:none}
.answer .word{font-weight:700}
.warning{border-left:4px solid var(--line-strong);padding:.2rem .8rem;font-weight:600}
nav ul{columns:16rem;list-style:none;padding:0;max-width:none}
.wide{overflow-x:auto;margin:.6rem 0}
table{border-collapse:collapse;font-size:.9rem;font-variant-numeric:tabular-nums}
caption{white-space:nowrap;text-align:left;padding:.2rem 0;font-size:.9rem;caption-side:top}
th,td{padding:.18rem .45rem;text-align:right;vertical-align:top;border-bottom:1px solid var(--line)}
th{font-weight:600}
thead th{background:var(--back-band);vertical-align:bottom;border-bottom:2px solid var(--line-strong)}
.l{text-align:left}
.whole{white-space:nowrap}
td.words{min-width:14rem}
.long{overflow-wrap:anywhere;min-width:9rem}
td a,th a{text-decoration:none}
td a:hover,td a:focus,th a:hover,th a:focus{text-decoration:underline}
tr:target,tr:target th{background:var(--back-doubt)}
td.lean{background:var(--back-lean)}
td.rich{background:var(--back-rich)}
td.none{color:var(--text-quiet)}
code{font-size:.85rem;overflow-wrap:anywhere}
figure{margin:1rem 0}
figure .wide{margin:0}
svg{display:block;width:100%;min-width:36rem;max-width:48rem;height:auto}
svg text{fill:var(--text);font:13px system-ui,sans-serif}
svg .quiet{fill:var(--text-quiet)}
svg .bold{font-weight:700}
svg .tlean{fill:var(--text-lean)}
svg .trich{fill:var(--text-rich)}
svg .grid{stroke:var(--line);stroke-width:1}
svg .axis{stroke:var(--line-strong);stroke-width:1.5}
svg .thin{stroke:var(--line-strong);stroke-width:1.2;fill:none}
svg .mid{stroke:var(--text);stroke-width:3;fill:none}
svg .own{stroke:var(--text);stroke-width:2.4;fill:none}
svg .lean{stroke:var(--line-lean)}
svg .rich{stroke:var(--line-rich)}
svg .d1{stroke-dasharray:6 3}
svg .d2{stroke-dasharray:2 3}
svg .d3{stroke-dasharray:8 3 2 3}
svg .dot{fill:var(--text)}
svg .hollow{fill:var(--back);stroke:var(--text);stroke-width:2}
svg .span{fill:var(--back-doubt)}
.sign{width:100%}
.sign td{height:2.6rem;min-width:9rem}
@page{size:A4;margin:14mm 12mm 16mm}
@media screen and (max-width:40rem){
caption{white-space:normal}
body{padding:.7rem}
h1{font-size:1.3rem}
.answer .said{font-size:1.1rem}
}
@media print{
html{font-size:9.5pt}
body{padding:0;max-width:none}
p,ul{max-width:none}
a{color:inherit;text-decoration:none}
nav{display:none}
h2,h3,caption,h2+p,h3+p,h3+ul{break-after:avoid}
tr,figure,.answer,.keep,li,p{break-inside:avoid}
thead{display:table-header-group}
tbody tr:first-child,tbody tr:last-child{break-before:avoid}
figcaption{break-before:avoid}
.wide{overflow:visible}
table{font-size:7.6pt;max-width:100%}
caption{font-size:8pt;white-space:normal;min-width:9cm}
th,td{padding:.1rem .28rem}
td.words,.long{min-width:2.6cm}
svg{min-width:0;max-width:100%}
}
"""
