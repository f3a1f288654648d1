"""Scripts that every page carries: keys for undo and redo, and what to do when the server has ended."""

from __future__ import annotations

import json

SHORTCUTS = """<script>
(() => {
  let typed = null;  // the field with a text that is being typed, whose own undo comes first
  const types = ['text', 'search', 'number', ''];
  const isText = e => e.tagName === 'TEXTAREA' || e.isContentEditable
    || (e.tagName === 'INPUT' && !e.readOnly && types.includes(e.type));
  document.addEventListener('input', e => { if (isText(e.target)) typed = e.target; }, true);
  document.addEventListener('focusout', () => { typed = null; }, true);
  document.addEventListener('keydown', e => {
    if (e.key === 'Enter' && e.target.tagName !== 'TEXTAREA') typed = null;
    if (!(e.ctrlKey || e.metaKey) || e.altKey || (typed && typed === document.activeElement)) return;
    const key = e.key.toLowerCase();
    const what = key === 'z' ? (e.shiftKey ? 'redo' : 'undo') : key === 'y' ? 'redo' : '';
    if (!what) return;
    e.preventDefault();
    emitEvent('armsim-' + what);
  }, true);
})();
</script>"""
"""Undo and redo by keys, wherever the focus is, but in a text that is being typed."""
LOST = """<script>
document.documentElement.lang = 'en';
document.addEventListener('DOMContentLoaded', () => {
  const [first, second] = document.querySelectorAll('#popup span');
  first.textContent = 'The server of this page does not answer; it is tried again.';
  second.textContent = 'Was it ended? Start it again and open the address that it prints: ' + %s;
});
</script>"""
"""Language of the page, and the text shown when the server has ended: one that is started again has another token."""


def lost_notice(command: str) -> str:
    """Script with the text shown when the server has ended, which names the command that starts it again."""
    return LOST % json.dumps(command).replace("<", "\\u003c")
