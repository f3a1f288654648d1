"""Colours and style sheet of the page."""

from __future__ import annotations

PRIMARY, DARK_PRIMARY = "#2b6cb0", "#7fb8f0"
"""Colour of the header and of buttons; of buttons on a dark page."""
ON_PAGE = {"good": "#1b6f41", "bad": "#c1121f", "open": "#8a5a00"}
"""Text by state on a light page."""
ON_DARK_PAGE = {"good": "#5fd19a", "bad": "#ff8a8a", "open": "#ffca5f"}
BADGES = {"good": ("#ffffff", "#1b5e20"), "open": ("#000000", "#ffd54f"), "bad": ("#ffffff", "#b71c1c")}
"""Text and background of the verdict in the header."""
LIGHT, DARK = "#ffffff", "#121212"
"""Backgrounds of a light and of a dark page."""
LIMIT_AT = 80
"""Place of the limit on a bar. [%]"""

DRAWER = "42vh"
"""Height of the drawer of results."""


def _by_state(selector: str, colours: dict[str, str]) -> str:
    return "".join(f"{selector}.{state} {{ color: {colour}; }}\n" for state, colour in colours.items())


CSS = f"""
body {{ font-size: 13px; }}
.nicegui-content {{ padding: 0; }}
.w-full {{ width: 100%; }} .h-full {{ height: 100%; }}
.q-header {{ min-height: 46px; gap: 2px 10px; padding: 4px 12px; }}
.page-verdict span {{ display: inline-block; }}
.page-title {{ max-width: 26vw; }} .page-buttons {{ gap: 0; margin-left: auto; }}
.panes .q-field--dense .q-field__control {{ min-height: 36px; }}
.panes {{ display: grid; grid-template-columns: minmax(330px, 380px) minmax(420px, 1fr) minmax(270px, 310px);
        gap: 8px; padding: 8px; width: 100%; height: calc(100vh - 76px); box-sizing: border-box; }}
.panes.above-drawer {{ height: calc(100vh - 76px - {DRAWER}); }}
.panes > div {{ min-height: 0; overflow: auto; }}
@media (max-width: 1100px) {{
  .page-title {{ max-width: calc(100vw - 330px); }} .page-verdict, .page-stage {{ order: 2; }}
  .q-header {{ gap: 2px 6px; }}
  .panes {{ grid-template-columns: minmax(0, 1fr) minmax(270px, 310px); height: auto; }}
  .panes.above-drawer {{ height: auto; padding-bottom: {DRAWER}; }}
  .panes > .joints-pane {{ order: 3; grid-column: 1 / -1; }}
}}
@media (max-width: 640px) {{
  .page-title {{ max-width: calc(100vw - 280px); }}
  .panes {{ grid-template-columns: minmax(0, 1fr); }}
  .panes .selectors > .q-field {{ flex-basis: 64px; }}
  .panes > .results-pane {{ order: -1; }}
}}
.maps-pane .map-pane {{ flex: 1 1 56%; min-height: 300px; display: flex; flex-direction: column; }}
.map-pane .chart {{ flex: 1; min-height: 0; max-width: 860px; align-self: center; }}
.map-pane .selectors {{ gap: 8px; }} .map-pane .selectors > .q-field {{ flex: 1 1 90px; min-width: 0; }}
.maps-pane .scene-pane {{ flex: 1 1 44%; min-height: 220px; position: relative; overflow: hidden; }}
.scene-note {{ position: absolute; left: 10px; bottom: 6px; }}
.scene-pane > .q-btn {{ position: absolute; right: 10px; top: 8px; }}
.webgl-note {{ display: none; position: absolute; left: 10px; top: 10px; }}
.without-webgl .webgl-note {{ display: block; }}
.start {{ max-width: 640px; margin: 40px auto; padding: 0 16px; }}
.pane {{ border: 1px solid rgba(128,128,128,0.35); border-radius: 6px; padding: 6px 8px; }}
.body--dark .panes, .body--dark .q-dialog {{ --q-primary: {DARK_PRIMARY}; }}
.body--dark .bg-primary {{ --q-primary: {PRIMARY}; }}
.page-footer {{ background: {LIGHT}; color: inherit; padding: 2px 12px; }}
.body--dark .page-footer {{ background: {DARK}; }}
.questions .q-btn {{ font-size: 13px; padding: 2px 4px; }}
.joint {{ padding-top: 2px; }}
.joint-rows {{ display: grid; gap: 8px; margin-top: 8px; align-items: start;
  grid-template-columns: repeat(auto-fill, minmax(min(100%, 320px), 1fr)); }}
.toured {{ outline: 3px solid #d08a00; outline-offset: -3px; }}
.tour .q-dialog__backdrop {{ background: rgba(0,0,0,0.2); }}
.part {{ font-weight: 600; margin-top: 6px; }}
.changed {{ border-left: 3px solid {PRIMARY}; padding-left: 5px; }}
.body--dark .changed {{ border-color: {DARK_PRIMARY}; }}
.back {{ max-width: 100%; text-align: left; }}
.quiet {{ opacity: 0.8; font-size: 12px; }}
.past {{ opacity: 0.6; }}
.notice {{ background: {BADGES["open"][1]}; color: {BADGES["open"][0]}; padding: 2px 12px; gap: 8px; }}
{_by_state("", ON_PAGE)}{_by_state(".body--dark ", ON_DARK_PAGE)}
.open::before {{ content: '⚠ '; }} .gauge::before {{ content: none; }}
.figure {{ font-size: 15px; font-weight: 600; font-variant-numeric: tabular-nums; }}
.limit {{ font-size: 12px; font-variant-numeric: tabular-nums; white-space: nowrap; }}
.gauge {{ display: block; height: 5px; border-radius: 2px;
  background: linear-gradient(currentColor, currentColor) 0 0 / calc(var(--load) * {LIMIT_AT}%) 100% no-repeat,
    linear-gradient(rgba(128,128,128,0.25), rgba(128,128,128,0.25)); position: relative; }}
.gauge::after {{ content: ''; position: absolute; left: {LIMIT_AT}%; top: -2px; width: 2px; height: 9px;
  background: #000; box-shadow: 0 0 0 1px #fff; }}
.task-line {{ display: flex; justify-content: space-between; gap: 8px; width: 100%; border: 0; background: none;
  color: inherit; font: inherit; padding: 1px 0; cursor: pointer; text-align: left; }}
.task-line:hover {{ background: rgba(128,128,128,0.15); }}
.current {{ font-weight: 600; text-decoration: underline; }}
.verdict-good {{ color: {BADGES["good"][0]}; background: {BADGES["good"][1]}; }}
.verdict-open {{ color: {BADGES["open"][0]}; background: {BADGES["open"][1]}; }}
.verdict-bad {{ color: {BADGES["bad"][0]}; background: {BADGES["bad"][1]}; }}
.drawer {{ max-height: {DRAWER}; overflow: auto; box-shadow: 0 -2px 12px rgba(0,0,0,0.35); padding: 8px 12px; }}
.result {{ display: flex; gap: 16px; align-items: flex-start; width: 100%; }}
.figures {{ flex: 1 1 400px; display: flex; flex-wrap: wrap; gap: 8px 16px; max-width: 100%; }}
.figures:empty {{ display: none; }}
.result-figure {{ position: relative; max-width: 100%; overflow: auto hidden; }}
.result-figure > .q-btn {{ position: absolute; right: 0; top: 0; }}
.printout {{ flex: 0 1 auto; max-width: 100%; overflow-x: auto; }}
.printout:not(:last-child) {{ max-width: calc(100% - 416px); }}
.sentence {{ max-width: 56ch; }}
@media (max-width: 900px) {{
  .result {{ flex-direction: column; }} .printout:not(:last-child) {{ max-width: 100%; }}
}}
.printout table {{ border-collapse: collapse; font-variant-numeric: tabular-nums; margin-bottom: 8px; }}
.printout th, .printout td {{ text-align: left; padding: 1px 12px 1px 0;
  border-bottom: 1px solid rgba(128,128,128,0.3); }}
.printout p {{ font-weight: 500; margin: 4px 0 2px; }}
/* at 0.15 the text of a button that is pointed at falls below a contrast of 4.5 */
body.desktop .q-btn--flat:hover > .q-focus-helper, body.desktop .q-btn--flat:focus > .q-focus-helper {{
  opacity: 0.08 !important; }}
.q-dialog .bg-primary > .q-focus-helper {{ display: none; }}
.q-dialog .bg-primary:focus {{ outline: 3px solid #d08a00 !important; outline-offset: 1px; }}
:focus-visible {{ outline: 3px solid #d08a00 !important; outline-offset: 1px; }}
"""
