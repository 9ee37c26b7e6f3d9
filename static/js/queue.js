/*
 * queue: a form with data-queue is never lost to the network.
 *
 * Each entry is written to localStorage with its key before it is sent, and goes out of it only when the server has
 * answered. Without a network it waits, is shown as waiting, and is sent when the network is back. The server takes a key
 * once, so an entry whose answer was lost is no second record. Passwords are never kept: such a form is sent at once or not.
 */
import { forget } from "./keep.js";
import { freshKey, KEY_NAME } from "./once.js";

const STORE = "queue:";
const PAUSE = 3000; // ms between two tries
const pages = new Map();
let sending = false;
let begin = () => {};

export function startQueue(root, start) {
  begin = start;
  for (const form of root.querySelectorAll("form[data-queue]")) {
    if (form.dataset.queueReady) continue;
    form.dataset.queueReady = "yes";
    form.addEventListener("submit", (event) => take(event, form), true);
  }
  for (const link of root.querySelectorAll("a[data-line]")) ready(link);
  if (root === document) {
    window.addEventListener("online", send);
    setInterval(send, PAUSE);
  }
  show();
  send();
}

function name() {
  return `${STORE}${document.body.dataset.person}`;
}

function waiting() {
  try {
    return JSON.parse(localStorage.getItem(name())) ?? [];
  } catch {
    return [];
  }
}

function write(entries) {
  localStorage.setItem(name(), JSON.stringify(entries));
  show();
}

function take(event, form) {
  const password = [...form.elements].some((field) => field.type === "password" && field.value);
  if (password || event.defaultPrevented) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  const key = form.elements[KEY_NAME]?.value || freshKey();
  if (waiting().some((entry) => entry.key === key)) return; // a second tap
  const body = new URLSearchParams(new FormData(form));
  body.set(KEY_NAME, key);
  try {
    write([...waiting(), { key, url: form.action, body: body.toString(), label: form.dataset.queue }]);
  } catch {
    form.submit(); // no room to keep it: sent as any other form
    return;
  }
  forget(form);
  send();
}

async function send() {
  if (sending) return;
  sending = true;
  let answer = null;
  try {
    for (const entry of waiting().filter((one) => !one.refused)) answer = (await sent(entry)) ?? answer;
  } catch {
    offline();
    answer = null;
  } finally {
    sending = false;
    show();
  }
  if (answer) follow(answer);
}

/** Send one entry; the answer to show, or null while the person has to sign in first. */
async function sent(entry) {
  const headers = { "Content-Type": "application/x-www-form-urlencoded", "X-CSRFToken": token() };
  const response = await fetch(entry.url, { method: "POST", body: entry.body, headers, redirect: "follow" });
  if (response.status >= 500) throw new Error("try again");
  if (new URL(response.url).pathname.startsWith("/sign-in/")) {
    show("Sign in again, then they are sent.");
    return null;
  }
  const text = await response.text();
  write(waiting().filter((one) => one.key !== entry.key));
  return { ok: response.ok, url: response.url, text };
}

/** A taken entry leads on; a refused one comes back filled, with what is wrong. */
function follow(answer) {
  if (answer.ok) location.assign(answer.url);
  else swap(answer.text);
}

function swap(text) {
  const fresh = new DOMParser().parseFromString(text, "text/html").querySelector("main");
  const main = document.querySelector("main");
  if (!fresh || !main) return;
  main.replaceWith(fresh);
  window.htmx?.process(fresh);
  begin(fresh);
  show();
  fresh.querySelector("[role=alert], [data-refusal], .errors")?.scrollIntoView({ block: "start" });
}

/** The pages of the other lines are fetched beforehand, so that work goes on without a network. */
async function ready(link) {
  link.addEventListener("click", (event) => {
    if (navigator.onLine || !pages.has(link.href)) return;
    event.preventDefault();
    swap(pages.get(link.href));
  });
  if (pages.has(link.href) || !navigator.onLine) return;
  try {
    const response = await fetch(link.href);
    if (response.ok) pages.set(link.href, await response.text());
  } catch {
    // no network: the link works as any other when it is back
  }
}

function offline() {
  const form = document.querySelector("form[data-queue]");
  const held = waiting().find((entry) => entry.label === form?.dataset.queue);
  const next = document.querySelector("a[data-line]");
  if (held && next && pages.has(next.href)) swap(pages.get(next.href));
}

function token() {
  return document.querySelector("[name=csrfmiddlewaretoken]")?.value ?? "";
}

function show(more = "") {
  const entries = waiting();
  for (const box of document.querySelectorAll("[data-waiting]")) {
    box.hidden = entries.length === 0;
    const labels = entries.map((entry) => entry.label).join("; ");
    box.textContent = entries.length ? `Waiting to be sent: ${entries.length} (${labels}). ${more}` : "";
  }
}
