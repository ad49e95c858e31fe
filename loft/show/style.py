"""The look that pages and report have in common, for screen and for paper."""

from __future__ import annotations

CSS = """
:root { --ink: #14181d; --quiet: #5d666f; --rule: #c3c8cd; --mark: #b3300f; --blue: #2f5d8c;
  --paper: #ffffff; --wash: #f5f4f1; }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0; color: var(--ink); background: var(--paper);
  font: 15px/1.5 "Liberation Sans", Arial, Helvetica, sans-serif;
  font-variant-numeric: tabular-nums lining-nums; }
h1, h2, h3 { font-weight: bold; line-height: 1.25; margin: 0; }
h1 { font-size: 26px; letter-spacing: -0.01em; }
h2 { font-size: 18px; }
h3 { font-size: 15px; }
p { margin: 0; }
.quiet { color: var(--quiet); }
.mark { color: var(--mark); }
table { border-collapse: collapse; font-size: 13.5px; }
th { text-align: left; font-weight: normal; color: var(--quiet); vertical-align: bottom;
  border-bottom: 1px solid var(--ink); padding: 3px 14px 3px 0; }
td { padding: 2.5px 14px 2.5px 0; vertical-align: top; border-bottom: 1px solid #e4e6e8; }
td.n, th.n { text-align: right; white-space: nowrap; }
th:last-child, td:last-child { padding-right: 0; }
"""
