//! The look of the page and the sheets: one style sheet, written into each file.
//!
//! Colours are those of the Okabe-Ito palette (M. Okabe and K. Ito, "Color Universal Design"),
//! which colour-blind readers tell apart; each stands beside a mark or a word. Text is set in the
//! reader's own fonts, since nothing is loaded.

/// The whole style sheet.
pub(in crate::report) const STYLE: &str = r#"
:root {
  --paper: #fdfdfb; --ink: #1b1b19; --soft: #605f5a; --rule: #d9d7d0; --track: #ebe9e3;
  --orange: #e69f00; --sky: #56b4e9; --green: #009e73; --blue: #0072b2; --red: #d55e00;
  --serif: "Iowan Old Style", Charter, "Palatino Linotype", Palatino, "Book Antiqua", Georgia, "DejaVu Serif", serif;
  --sans: system-ui, -apple-system, "Segoe UI", "Noto Sans", "Liberation Sans", "DejaVu Sans", sans-serif;
  --mono: ui-monospace, Menlo, Consolas, "Liberation Mono", "DejaVu Sans Mono", monospace;
  color-scheme: light dark;
}
@media screen and (prefers-color-scheme: dark) {
  :root { --paper: #15171a; --ink: #e8e6e1; --soft: #a5a39c; --rule: #363a40; --track: #272a2f; }
}
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0; background: var(--paper); color: var(--ink); font: 1rem/1.5 var(--sans); }
main { max-width: 74rem; margin: 0 auto; padding: 3rem 1.5rem 4rem; }
header { max-width: 56rem; margin-bottom: 2.5rem; }
.kicker, .note, .soft, footer { color: var(--soft); }
.kicker { font-size: .875rem; margin: 0 0 .75rem; }
h1 { font: 400 2.5rem/1.15 var(--serif); letter-spacing: -.01em; margin: 0 0 1rem; overflow-wrap: anywhere; }
.lead { font: 400 1.375rem/1.45 var(--serif); margin: 0 0 1rem; max-width: 44rem; }
section { display: grid; grid-template-columns: 12rem minmax(0, 1fr); gap: 0 2.5rem; border-top: 1px solid var(--rule); padding: 1.5rem 0 2rem; }
h2 { font: 400 1.25rem/1.3 var(--serif); margin: 0 0 .5rem; }
h3 { font: 600 1rem/1.4 var(--sans); margin: 0 0 .25rem; }
.note { font-size: .8125rem; line-height: 1.45; margin: 0 0 1rem; }
p { margin: 0 0 .75rem; max-width: 44rem; }
ul { margin: 0; padding-left: 1.1rem; max-width: 44rem; }
li { margin-bottom: .4rem; }
.path, .hash { font-family: var(--mono); font-size: .8125rem; overflow-wrap: anywhere; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: .875rem; line-height: 1.4; font-variant-numeric: tabular-nums; }
th { font-weight: 600; text-align: left; vertical-align: bottom; white-space: nowrap; }
td { vertical-align: top; }
th, td { padding: .4rem 1rem .4rem 0; border-bottom: 1px solid var(--rule); }
th:last-child, td:last-child { padding-right: 0; }
.n + :not(.n) { padding-left: .75rem; }
tbody tr:last-child > * { border-bottom-color: var(--soft); }
thead th { border-bottom-color: var(--soft); }
tfoot td, tfoot th { border-bottom: 0; padding-bottom: 0; font-weight: 400; color: var(--soft); }
tbody th { font-weight: 400; vertical-align: top; }
.n { text-align: right; white-space: nowrap; }
.w { white-space: nowrap; }
small { display: block; color: var(--soft); font-size: .8125rem; }
.bars .cell { min-width: 0; }
.cell { display: block; width: 4.5em; height: 4px; margin: 3px 0 0 auto; background: var(--track); border-radius: 1px; }
.cell i { display: block; height: 100%; background: var(--sky); border-radius: 1px; margin-left: auto; }
.cell.all i { background: var(--blue); }
.progress { display: grid; grid-template-columns: 8.5rem minmax(5rem, 1fr) 3.75rem auto; gap: .75rem 1rem; align-items: center; font-variant-numeric: tabular-nums; }
.stage { display: contents; }
.progress .share { text-align: right; }
.progress .amount { color: var(--soft); font-size: .875rem; white-space: nowrap; }
.meter { height: .75rem; background: var(--track); border-radius: 2px; overflow: hidden; print-color-adjust: exact; }
.meter i { display: block; height: 100%; }
.meter .copied { background: var(--sky); } .meter .verified { background: var(--blue); } .meter .released { background: var(--green); }
.glyph { display: inline-block; width: 1.35em; }
.flag { white-space: nowrap; } .flag b { color: var(--red); font-weight: 600; }
.standing { font-size: .8125rem; color: var(--soft); font-style: italic; white-space: nowrap; }
.standing.measured { font-style: normal; }
svg { display: block; width: 100%; min-width: 40rem; height: auto; font: 12px var(--sans); overflow: visible; }
svg text { fill: var(--ink); } svg .tick { fill: var(--soft); font-size: 11px; }
svg .grid { stroke: var(--rule); stroke-width: 1; }
svg .now { stroke: var(--red); stroke-width: 1.25; } svg .nowtext { fill: var(--ink); font-size: 11px; font-weight: 600; paint-order: stroke; stroke: var(--paper); stroke-width: 6px; stroke-linejoin: round; }
svg .flag { fill: var(--red); font-weight: 600; }
.bar.planned { fill: var(--soft); opacity: .45; } .bar.waiting { fill: var(--track); stroke: var(--soft); stroke-width: 1; }
.bar.copied { fill: var(--sky); } .bar.verified { fill: var(--blue); } .bar.released { fill: var(--green); }
.legend { display: flex; flex-wrap: wrap; gap: .25rem 1.25rem; font-size: .8125rem; color: var(--soft); margin: .75rem 0 0; padding: 0; list-style: none; max-width: none; }
.legend li { margin: 0; white-space: nowrap; }
.legend i { display: inline-block; width: 1.4rem; height: .55rem; margin-right: .4rem; border-radius: 1px; }
.legend .planned { height: 3px; vertical-align: middle; background: var(--soft); opacity: .45; } .legend .waiting { background: var(--track); border: 1px solid var(--soft); }
.legend .copied { background: var(--sky); } .legend .verified { background: var(--blue); } .legend .released { background: var(--green); }
.proof { break-inside: avoid; margin-bottom: 1.25rem; }
dl { display: grid; grid-template-columns: 9rem minmax(0, 1fr); gap: .15rem 1rem; margin: 0; font-size: .875rem; }
dt { color: var(--soft); } dd { margin: 0; font-variant-numeric: tabular-nums; }
footer { border-top: 1px solid var(--rule); padding-top: 1rem; font-size: .8125rem; }
.sheet main { max-width: 48rem; }
.sheet section { grid-template-columns: minmax(0, 1fr); }
.lines { display: grid; grid-template-columns: 1fr 1fr; gap: 3rem 2.5rem; padding-top: 2.5rem; }
.lines span { border-top: 1px solid var(--ink); padding-top: .3rem; font-size: .8125rem; color: var(--soft); }
@media screen and (max-width: 60rem) {
  section { grid-template-columns: minmax(0, 1fr); }
  .note { max-width: 44rem; }
}
@media screen and (max-width: 44rem) {
  main { padding: 1.75rem 1rem 2.5rem; }
  h1 { font-size: 1.875rem; } .lead { font-size: 1.125rem; }
  .progress { display: block; }
  .stage { display: grid; grid-template-columns: minmax(0, 1fr) auto; gap: .2rem 1rem; margin-bottom: 1rem; }
  .stage .share { order: 1; } .stage .meter { order: 2; grid-column: 1 / -1; } .stage .amount { order: 3; grid-column: 1 / -1; white-space: normal; }
  dl { grid-template-columns: minmax(0, 1fr); } dd { margin-bottom: .35rem; }
}
@page { size: A4; margin: 16mm 15mm; }
@media print {
  :root { --paper: #fff; --ink: #000; --soft: #555; --rule: #ccc; --track: #eee; color-scheme: light; }
  html { font-size: 9.5pt; }
  body, .meter, .cell, .cell i, .meter i, .legend i, svg { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  main { max-width: none; padding: 0; }
  header { margin-bottom: 1.25rem; }
  section { grid-template-columns: minmax(0, 1fr); padding: .9rem 0 1.1rem; }
  h1 { font-size: 22pt; } .lead { font-size: 13pt; }
  h2, .note { break-after: avoid; }
  .note { max-width: none; margin-bottom: .6rem; }
  .scroll { overflow: visible; }
  table { font-size: 8.25pt; } th, td { padding: .25rem .6rem .25rem 0; }
  thead { display: table-header-group; } tr, svg, .progress { break-inside: avoid; }
  tfoot { display: table-row-group; }
  svg { min-width: 0; }
  .keep { break-inside: avoid; }
}
"#;
