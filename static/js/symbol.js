/*
 * symbol: a field with data-symbol takes a supplier's symbol from a scanner that types like a keyboard.
 *
 * Such a scanner sends the group separator as Ctrl and ], which a text field would drop and a browser might act on; it
 * is written as | instead, which no symbol can hold. The server reads | as the separator (lims/materials/gs1.py).
 */

export function startSymbol(root) {
  for (const field of root.querySelectorAll("input[data-symbol]")) {
    if (field.dataset.symbolReady) continue;
    field.dataset.symbolReady = "yes";
    field.addEventListener("keydown", (event) => {
      if (!(event.ctrlKey && (event.key === "]" || event.code === "BracketRight")) && event.key !== "\u001d") return;
      event.preventDefault();
      field.setRangeText("|", field.selectionStart, field.selectionEnd, "end");
    });
  }
}
