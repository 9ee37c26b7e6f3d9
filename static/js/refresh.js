/* refresh: what comes later by htmx is started like the page; a lost connection or a failed refresh is told in words. */

export function startRefresh(start) {
  document.addEventListener("htmx:load", (event) => start(event.detail.elt));
  document.addEventListener("htmx:sendError", () => showOffline(true));
  document.addEventListener("htmx:afterRequest", (event) => event.detail.successful && showOffline(false));
  document.addEventListener("htmx:beforeSwap", letRefusalsThrough);
  window.addEventListener("offline", () => showOffline(true));
  window.addEventListener("online", () => showOffline(false));
  if (!navigator.onLine) showOffline(true);
}

/** A form that comes back filled (422) or refused (409, 412) is a page part like any other. */
function letRefusalsThrough(event) {
  if ([409, 412, 422].includes(event.detail.xhr.status)) event.detail.shouldSwap = true;
}

function showOffline(gone) {
  const words = document.querySelector("[data-offline]");
  if (words) words.hidden = !gone;
}
