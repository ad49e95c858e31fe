"""How the report looks on the screen and on A4 paper."""

from __future__ import annotations

from loft.job.caution import SHAPE_ONLY

PRINT = """
body { background: #e9e8e4; }
main { max-width: 210mm; margin: 24px auto; background: #fff; padding: 16mm 16mm 10mm;
  font-size: 14px; }
section { margin: 0 0 26px; }
section + section { padding-top: 4px; }
h1 { font-size: 25px; margin: 2px 0 14px; }
h2 { font-size: 18px; margin: 0 0 6px; padding-top: 10px; border-top: 2px solid var(--ink); }
h3 { margin: 12px 0 4px; }
main p { max-width: 100ch; margin: 0 0 10px; }
.small { font-size: 12px; line-height: 1.45; }
figure { margin: 6px 0 12px; break-inside: avoid; }
figure svg { width: 100%; height: auto; display: block; }
.verdict { display: grid; grid-template-columns: 54mm 1fr; gap: 6mm; align-items: start;
  border: 1.5px solid var(--ink); padding: 12px 16px; margin: 0 0 16px; }
.verdict .word { font-size: 24px; font-weight: bold; line-height: 1.2; margin: 0; }
.verdict ul { margin: 0; padding-left: 18px; font-size: 13.5px; }
.verdict.stop { border-width: 4px; border-color: var(--mark); }
.verdict.stop .word { color: var(--mark); }
.verdict.care { border-width: 3px; }
.keep { break-inside: avoid; }
.two { display: grid; grid-template-columns: 1fr 66mm; gap: 6mm; align-items: start; }
.three { display: grid; grid-template-columns: repeat(3, 1fr); gap: 4mm; }
.grounds { margin: 8px 0 12px; }
.grounds h3 { margin: 0 0 3px; border-top: 1px solid var(--ink); padding-top: 5px; }
.grounds ul { margin: 0; padding-left: 15px; font-size: 12px; line-height: 1.4; }
.grounds li { margin: 0 0 3px; }
.tight td, .tight th { padding: 1.5px 4px; }
.facts td { padding: 2px 8px 2px 0; font-size: 13px; }
.facts td { white-space: nowrap; }
.facts td.n { min-width: 58px; }
.facts td:last-child { font-size: 12px; white-space: normal; line-height: 1.35; }
.drawing figure { margin: 0; }
.caution { border-left: 4px solid var(--ink); padding: 4px 0 4px 12px; font-size: 13px; }
.signed { display: grid; grid-template-columns: repeat(3, 1fr); gap: 8mm; margin-top: 5mm;
  break-inside: avoid; }
.signed div { display: flex; flex-direction: column; }
.signed .line { border-bottom: 1px solid var(--ink); min-height: 22px; }
table { width: 100%; font-size: 12.5px; margin: 0 0 10px; }
td:nth-child(3) { white-space: nowrap; }
td:last-child { white-space: normal; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
.named td:first-child { width: 46mm; }
td.wrap { word-break: break-all; }
ol.cautions { margin: 0; padding-left: 22px; font-size: 13px; }
ol.cautions li { margin: 0 0 4px; break-inside: avoid; }
.hash { font-family: "Liberation Mono", "DejaVu Sans Mono", monospace; font-size: 11px; }
footer.screen { max-width: 210mm; margin: 0 auto 30px; font-size: 12px; padding: 0 16mm; }
@page { size: A4; margin: 15mm 16mm 18mm;
  @bottom-right { content: "page " counter(page) " of " counter(pages); }
  @bottom-center { content: "$foot"; } }
@page { @bottom-left { font: 8pt "Liberation Sans", Arial, sans-serif; color: #5d666f; }
  @bottom-center { font: 8pt "Liberation Sans", Arial, sans-serif; color: #5d666f; }
  @bottom-right { font: 8pt "Liberation Sans", Arial, sans-serif; color: #5d666f; } }
@media print {
  body { background: #fff; }
  main { margin: 0; padding: 0; max-width: none; }
  .new { break-before: page; }
  h2, h3 { break-after: avoid; }
  footer.screen { display: none; }
}
""".replace("$foot", SHAPE_ONLY)
