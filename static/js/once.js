/* once: a form is sent once. Each posted form gets a hidden key, so that the server too knows a repeat for what it is. */

export const KEY_NAME = "idempotency_key";
const busy = new WeakSet();

/** A fresh key; also where the page is served without TLS and crypto.randomUUID is missing. */
export function freshKey() {
  if (crypto.randomUUID) return crypto.randomUUID();
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

export function startOnce(root) {
  for (const form of root.querySelectorAll("form[method=post]:not([data-drop])")) {
    if (form.dataset.onceReady) continue;
    form.dataset.onceReady = "yes";
    giveKey(form);
    form.addEventListener("submit", (event) => sendOnce(event, form));
    form.addEventListener("htmx:afterRequest", () => release(form));
  }
}

/** A key the server put there stays: it is the same form come back filled. */
function giveKey(form) {
  if (form.elements[KEY_NAME]?.value) return;
  const field = form.elements[KEY_NAME] ?? document.createElement("input");
  field.type = "hidden";
  field.name = KEY_NAME;
  field.value = freshKey();
  form.append(field);
}

function sendOnce(event, form) {
  if (event.defaultPrevented) return;
  if (busy.has(form)) {
    event.preventDefault();
    event.stopImmediatePropagation();
    return;
  }
  busy.add(form);
  const button = event.submitter;
  if (!button) return;
  button.dataset.words = button.textContent;
  button.setAttribute("aria-disabled", "true");
  button.textContent = form.dataset.sending || "Sending";
}

function release(form) {
  busy.delete(form);
  for (const button of form.querySelectorAll("button[data-words]")) {
    button.removeAttribute("aria-disabled");
    button.textContent = button.dataset.words;
    delete button.dataset.words;
  }
}

// A page that comes back from the browser's memory must be usable again.
window.addEventListener("pageshow", (event) => {
  if (event.persisted) document.querySelectorAll("form").forEach(release);
});
