"""The look of report.html: plain, light or dark as the reader's device asks, black on white on paper."""

STYLE = """
:root { color-scheme: light dark; --ink: #1c2126; --soft: #59636e; --line: #ccd3da; --page: #fbfbf9;
  --card: #ffffff; --pass: #17683b; --fail: #a4161a; --inconclusive: #7a5200; --here: #fff1c2; }
@media (prefers-color-scheme: dark) { :root { --ink: #e4e7ea; --soft: #a2abb5; --line: #3b444d;
  --page: #14181c; --card: #1c2227; --pass: #69c792; --fail: #ff8f8a;
  --inconclusive: #e8b75a; --here: #4a3d10; } }
* { box-sizing: border-box; }
body { margin: 0; background: var(--page); color: var(--ink);
  font: 16px/1.45 Georgia, "Liberation Serif", serif; }
main { max-width: 60rem; margin: 0 auto; padding: 1rem; }
header { border-left: .6rem solid var(--soft); padding: .2rem 0 .2rem 1rem; margin: .5rem 0 1.5rem; }
header p { margin: .2rem 0; }
header h1 { margin: 0; font-size: 2.4rem; line-height: 1.1; }
header.pass { border-color: var(--pass); } header.pass h1 { color: var(--pass); }
header.fail { border-color: var(--fail); border-left-style: double; } header.fail h1 { color: var(--fail); }
header.inconclusive { border-color: var(--inconclusive); border-left-style: dashed; }
header.inconclusive h1 { color: var(--inconclusive); }
.boat, .small { color: var(--soft); } .scope { max-width: 45rem; }
h2 { font-size: 1.25rem; margin: 2rem 0 .5rem; border-bottom: 1px solid var(--line); padding-bottom: .2rem; }
h3 { font-size: 1.05rem; margin: 1rem 0 .4rem; }
article { background: var(--card); border: 1px solid var(--line); padding: .2rem 1rem 1rem; margin: .8rem 0; }
dl { display: grid; grid-template-columns: 9rem 1fr; gap: .25rem .8rem; margin: .4rem 0 .9rem; }
dt { color: var(--soft); } dd { margin: 0; overflow-wrap: anywhere; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: .92rem; }
th { text-align: left; color: var(--soft); font-weight: normal; font-style: italic; }
th, td { padding: .28rem .8rem .28rem 0; border-bottom: 1px solid var(--line); vertical-align: top; }
td { overflow-wrap: break-word; font-variant-numeric: tabular-nums; }
.frames td, .whole { white-space: nowrap; } .frames td:last-child { white-space: normal; }
.here td { background: var(--here); font-weight: bold; }
code { font: .88em "Liberation Mono", Consolas, monospace; }
summary { cursor: pointer; margin-top: .6rem; } li { margin: .2rem 0; }
@media (max-width: 34rem) { body { font-size: 15px; } dl { grid-template-columns: 1fr; gap: 0; }
  dd { margin-bottom: .4rem; } header h1 { font-size: 2rem; }
  .frames thead { display: none; } .frames tr { display: flex; flex-wrap: wrap; padding: .25rem 0;
  border-bottom: 1px solid var(--line); } .frames td { border: 0; padding: 0 .7rem 0 0; }
  .frames td:nth-child(n+4) { flex-basis: 100%; white-space: normal; overflow-wrap: anywhere; }
  .frames .here { background: var(--here); } }
@media print { :root { --ink: #000; --soft: #333; --line: #999; --page: #fff; --card: #fff; --pass: #000;
  --fail: #000; --inconclusive: #000; --here: #ddd; } main { max-width: none; padding: 0; }
  body { font-size: 10.5pt; } article, tr { break-inside: avoid; } .wide { overflow: visible; }
  .frames td { white-space: normal; }
  details::details-content { content-visibility: visible; display: block; } }
"""
