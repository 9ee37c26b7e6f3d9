/*
 * keys: "/" goes to the search box, "?" to the list of keys, "g" and a letter to a list of the navigation (data-key).
 *
 * They rest while somebody types and with Ctrl, Alt or Meta held; a person can switch them off (WCAG 2.1.4): the body
 * then has no data-keys.
 */

const WAIT = 1500; // ms between g and its letter
let since = -Infinity;

export function startKeys(body) {
  if (body.dataset.keys) document.addEventListener("keydown", onKey);
}

function onKey(event) {
  if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing || typing(event.target)) return;
  const after = event.timeStamp - since < WAIT;
  since = event.key === "g" ? event.timeStamp : -Infinity;
  if (event.key === "/") return to(event, () => document.querySelector("#search")?.focus());
  if (event.key === "?") return to(event, () => location.assign(document.body.dataset.keys));
  const link = after && /^[a-z]$/.test(event.key) && document.querySelector(`.rail a[data-key="${event.key}"]`);
  if (link) to(event, () => location.assign(link.href));
}

function to(event, go) {
  event.preventDefault();
  go();
}

function typing(element) {
  return element.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(element.tagName);
}
