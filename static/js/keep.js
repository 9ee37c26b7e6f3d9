/*
 * keep: what is typed into a form with data-keep stays in this tab until the server has it.
 *
 * Written to sessionStorage at each change, under the person, the address and the form's name; put back after a lost
 * connection, a crash, a reload or a new sign-in; forgotten once a page says that it was saved, or at sign-out.
 * Passwords and files are never kept. The key of a sending whose answer was lost is kept with the values, so that sending
 * the same again is no second record; a changed value gets a new key.
 */
import { freshKey, KEY_NAME } from "./once.js";

const PREFIX = "keep:";
const SKIPPED = new Set(["password", "file", "hidden", "submit", "button"]);

export function startKeep(root) {
  if (root === document) settle();
  for (const form of root.querySelectorAll("form[data-keep]")) {
    if (form.dataset.keepReady) continue;
    form.dataset.keepReady = "yes";
    const name = nameOf(form);
    if (!form.hasAttribute("data-bound")) putBack(form, name);
    for (const kind of ["input", "change"]) form.addEventListener(kind, () => changed(form, name));
    form.addEventListener("submit", (event) => event.defaultPrevented || sent(form, name));
  }
  for (const form of root.querySelectorAll("form[data-forget]")) form.addEventListener("submit", forgetAll);
}

/** Forget what is kept of a form: another module has taken it over. */
export function forget(form) {
  sessionStorage.removeItem(nameOf(form));
}

function changed(form, name) {
  const key = form.elements[KEY_NAME];
  if (key && key.value === load(name)?.key) key.value = freshKey();
  write(name, { values: read(form), sent: false });
}

function sent(form, name) {
  write(name, { values: read(form), sent: true, key: form.elements[KEY_NAME]?.value });
}

function nameOf(form) {
  return `${PREFIX}${document.body.dataset.person}:${location.pathname}:${form.dataset.keep}`;
}

/** On arrival: what was sent is forgotten when this page shows it was taken; on any doubt it is kept. */
function settle() {
  const failed = document.body.hasAttribute("data-failed") || document.querySelector("form[data-bound], [data-refusal]");
  const taken = document.querySelector('[data-level="success"]');
  for (const name of names()) {
    const kept = load(name);
    if (!kept?.sent) continue;
    const moved = cameFrom(name) && !hasFormOf(name);
    if (!failed && (taken || moved)) sessionStorage.removeItem(name);
    else write(name, { ...kept, sent: false });
  }
}

/** Whether the page before was the form's own and answered by leading here. */
function cameFrom(name) {
  const kind = performance.getEntriesByType("navigation")[0]?.type;
  if (kind !== "navigate" || !document.referrer) return false;
  return name.includes(`:${new URL(document.referrer).pathname}:`);
}

function hasFormOf(name) {
  return [...document.querySelectorAll("form[data-keep]")].some((form) => nameOf(form) === name);
}

function putBack(form, name) {
  const kept = load(name);
  if (!kept) return;
  let differs = false;
  for (const [field, values] of Object.entries(kept.values)) differs = fill(form, field, values) || differs;
  if (kept.key) putKey(form, kept.key);
  if (differs) tell(form, name);
}

function putKey(form, value) {
  const field = form.elements[KEY_NAME] ?? document.createElement("input");
  Object.assign(field, { type: "hidden", name: KEY_NAME, value });
  form.append(field);
}

function fill(form, name, values) {
  let differs = false;
  const fields = fieldsOf(form).filter((field) => field.name === name);
  fields.forEach((field, place) => {
    if (field.type === "checkbox" || field.type === "radio") {
      const on = values.includes(field.value);
      differs ||= on !== field.checked;
      field.checked = on;
    } else if (field.multiple) {
      for (const option of field.options) option.selected = values.includes(option.value);
    } else if (values[place] !== undefined && values[place] !== field.value) {
      field.value = values[place];
      differs = true;
    }
  });
  return differs;
}

function tell(form, name) {
  const box = document.createElement("div");
  box.className = "kept";
  box.setAttribute("role", "status");
  const words = document.createElement("p");
  words.textContent = "What you typed here before is back. It is not saved yet.";
  const button = document.createElement("button");
  button.type = "button";
  button.className = "button-quiet";
  button.textContent = "Start afresh";
  button.addEventListener("click", () => {
    sessionStorage.removeItem(name);
    form.reset();
    putKey(form, freshKey());
    box.remove();
    fieldsOf(form)[0]?.focus();
  });
  box.append(words, button);
  form.prepend(box);
}

function fieldsOf(form) {
  return [...form.elements].filter((field) => field.name && !SKIPPED.has(field.type));
}

function read(form) {
  const values = {};
  for (const field of fieldsOf(form)) {
    const list = (values[field.name] ??= []);
    if (field.type === "checkbox" || field.type === "radio") field.checked && list.push(field.value);
    else if (field.multiple) list.push(...[...field.selectedOptions].map((option) => option.value));
    else list.push(field.value);
  }
  return values;
}

function names() {
  return Object.keys(sessionStorage).filter((name) => name.startsWith(PREFIX));
}

function load(name) {
  try {
    return JSON.parse(sessionStorage.getItem(name));
  } catch {
    return null;
  }
}

function write(name, kept) {
  try {
    sessionStorage.setItem(name, JSON.stringify(kept));
  } catch {
    // no room or no permission: the form works as any other
  }
}

function forgetAll() {
  names().forEach((name) => sessionStorage.removeItem(name));
}
