"""How the shop sheet looks on the screen and on A4 paper."""

from __future__ import annotations

from loft.job.caution import SHAPE_ONLY

STYLE = """
:root { --ink: #14181d; --grey: #5d666f; --pale: #c3c8cd; --mark: #b3300f; }
* { box-sizing: border-box; }
body { margin: 0; background: #e9e8e4; color: var(--ink);
  font: 9.6pt/1.33 "Liberation Sans", Arial, Helvetica, sans-serif; }
section { background: #fff; max-width: 210mm; margin: 8mm auto; padding: 13mm 14mm 11mm; }
header { display: flex; justify-content: space-between; align-items: flex-end;
  border-bottom: 1.6pt solid var(--ink); padding-bottom: 2mm; margin-bottom: 3mm; }
h1 { font-size: 19pt; line-height: 1.1; margin: 0; }
h1 small { display: block; font-size: 10.5pt; font-weight: normal; color: var(--grey);
  margin-bottom: 1mm; }
h2 { font-size: 11pt; margin: 2.6mm 0 1mm; break-after: avoid; }
p { margin: 0 0 1.6mm; }
.of { text-align: right; font-size: 9pt; color: var(--grey); line-height: 1.35; }
.of b { color: var(--ink); }
.caution { border-left: 3pt solid var(--mark); padding: 1mm 0 1mm 3mm; margin: 2mm 0;
  font-size: 8.8pt; break-inside: avoid; }
ol { margin: 0; padding-left: 6mm; }
ol > li { margin: 0 0 0.8mm; break-inside: avoid; }
ol > li::marker { font-weight: bold; }
li .caution { margin: 0.6mm 0 0; padding-top: 0.3mm; padding-bottom: 0.3mm; }
table { border-collapse: collapse; width: 100%; font-size: 9pt; margin: 0 0 2mm; }
th { text-align: left; font-weight: normal; color: var(--grey); border-bottom: 0.8pt solid
  var(--ink); padding: 0.6mm 2mm 0.6mm 0; vertical-align: bottom; line-height: 1.2; }
td { border-bottom: 0.4pt solid var(--pale); padding: 0.7mm 2mm 0.7mm 0; vertical-align: top; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; }
td.n { white-space: nowrap; }
.fine table { font-size: 7.8pt; }
.fine td, .fine th { padding: 0.45mm 0 0.45mm 1.6mm; }
.fine td:first-child, .fine th:first-child { padding-left: 0; }
td.w { white-space: nowrap; }
tr { break-inside: avoid; }
thead { display: table-header-group; }
figure { margin: 0 0 2mm; text-align: center; break-inside: avoid; }
figure svg { max-width: 100%; height: 48mm; }
.two table { font-size: 8.4pt; }
figcaption { font-size: 8.5pt; color: var(--grey); text-align: left; }
.two { display: flex; gap: 8mm; }
.two h2 { margin-top: 0; }
.two > div { flex: 1; }
.warning::before { content: "CHECK  "; font-weight: bold; color: var(--mark); }
.signed { display: flex; gap: 8mm; margin: 4.5mm 0 0; break-inside: avoid; }
.signed span { flex: 1; border-top: 0.6pt solid var(--ink); padding-top: 0.6mm; font-size: 8pt;
  color: var(--grey); }
.source { font-size: 8.5pt; color: var(--grey); }
@page { size: A4; margin: 10mm 13mm 12mm;
  @bottom-left { content: "$foot"; font: 8pt "Liberation Sans", Arial,
    sans-serif; color: #5d666f; }
  @bottom-right { content: "page " counter(page) " of " counter(pages); font: 8pt
    "Liberation Sans", Arial, sans-serif; color: #5d666f; } }
@media print { body { background: #fff; }
  section { margin: 0; padding: 0; max-width: none; break-after: page; }
  section:last-of-type { break-after: auto; } }
""".replace("$foot", SHAPE_ONLY)
