/*
 * explain: a question mark beside a figure or a flag opens what it means: on hover, focus, click or touch (WCAG 1.4.13).
 *
 * It stays while the pointer or the focus is on it, and Escape closes it. Without script the mark is a link to Help.
 */

const LINES = [["what", ""], ["formula", "Formula: "], ["source", "Source: "], ["todo", "What to do: "]];
const LEAVING = 200; // ms in which the pointer may go from the mark to the words
let box, mark, timer;

export function startExplain(root) {
  for (const link of root.querySelectorAll("a[data-explain]")) {
    if (link.dataset.explainReady) continue;
    link.dataset.explainReady = "yes";
    link.setAttribute("role", "button");
    link.setAttribute("aria-expanded", "false");
    link.addEventListener("pointerenter", (event) => event.pointerType !== "touch" && open(link));
    link.addEventListener("pointerleave", leave);
    link.addEventListener("focus", () => open(link));
    link.addEventListener("blur", (event) => !box?.contains(event.relatedTarget) && close());
    link.addEventListener("click", (event) => {
      event.preventDefault();
      open(link);
    });
    link.addEventListener("keydown", (event) => {
      if (event.key !== " ") return;
      event.preventDefault();
      if (mark === link) close();
      else open(link);
    });
  }
}

function open(link) {
  clearTimeout(timer);
  if (mark === link) return;
  close();
  mark = link;
  box = document.createElement("div");
  box.className = "explain-box";
  box.id = "explain-box";
  box.setAttribute("role", "status");
  for (const [key, head] of LINES) if (link.dataset[key]) box.append(line(head, link.dataset[key]));
  const more = document.createElement("a");
  more.href = link.href;
  more.textContent = "More in Help";
  box.append(more);
  box.addEventListener("pointerenter", () => clearTimeout(timer));
  box.addEventListener("pointerleave", leave);
  box.addEventListener("focusout", (event) => !box?.contains(event.relatedTarget) && event.relatedTarget !== mark && close());
  link.after(box);
  link.setAttribute("aria-expanded", "true");
  link.setAttribute("aria-controls", box.id);
  place();
}

function line(head, text) {
  const element = document.createElement("p");
  if (head) element.append(Object.assign(document.createElement("strong"), { textContent: head }));
  element.append(text);
  return element;
}

/** Under the mark, or above it where there is no room; never beyond the window. */
function place() {
  const at = mark.getBoundingClientRect();
  const { offsetWidth: width, offsetHeight: height } = box;
  const below = at.bottom + 6;
  box.style.left = `${Math.max(8, Math.min(at.left, document.documentElement.clientWidth - width - 8))}px`;
  box.style.top = `${below + height > innerHeight && at.top > height + 6 ? at.top - height - 6 : below}px`;
}

function leave() {
  clearTimeout(timer);
  timer = setTimeout(() => document.activeElement !== mark && !box?.contains(document.activeElement) && close(), LEAVING);
}

function close() {
  mark?.setAttribute("aria-expanded", "false");
  mark?.removeAttribute("aria-controls");
  const gone = box;
  mark = box = undefined;
  gone?.remove();
}

document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape" || !box) return;
  if (box.contains(document.activeElement)) mark.focus();
  close();
});
document.addEventListener("pointerdown", (event) => box && event.target !== mark && !box.contains(event.target) && close());
addEventListener("scroll", () => box && place(), { passive: true, capture: true });
