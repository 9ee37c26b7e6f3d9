/*
 * drop: a form with data-drop takes one or many files or folders, dropped or chosen, and sends each by itself.
 *
 * Each file gets a row: waiting, sending n %, received, refused with the reason. A file carries the form's other fields
 * and an Idempotency-Key of its own, kept over repeats, so that a repeat after a lost connection is no second run.
 *
 * The server answers in JSON (Accept: application/json):
 *   200, 201  {"code": "R-0525", "url": "/runs/R-0525/", "message": "received", "follow": "/runs/R-0525/_row/"}
 *   4xx, 5xx  application/problem+json: {"title", "detail", "next_step", "code", "record": "R-0525", "url"}
 * "follow" is a fragment that shows how the run goes on; it replaces the row's words and refreshes itself (htmx).
 */
import { freshKey } from "./once.js";

const AT_ONCE = 2;
const WAITS = [1000, 3000, 8000];

export function startDrop(root) {
  for (const form of root.querySelectorAll("form[data-drop]")) {
    if (form.dataset.dropReady) continue;
    form.dataset.dropReady = "yes";
    new Drop(form);
  }
}

class Drop {
  constructor(form) {
    this.form = form;
    this.input = form.querySelector("input[type=file]");
    this.rows = form.querySelector(".drop-rows");
    this.zone = form.querySelector(".drop-zone");
    this.queue = [];
    this.sending = 0;
    form.classList.add("drop-live");
    this.input.required = false;
    this.listen();
  }

  listen() {
    this.input.addEventListener("change", () => {
      this.add([...this.input.files]);
      this.input.value = "";
    });
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (!this.input.files.length) this.input.click();
    });
    for (const kind of ["dragenter", "dragover"]) this.zone.addEventListener(kind, (event) => this.over(event, true));
    this.zone.addEventListener("dragleave", (event) => this.over(event, false));
    this.zone.addEventListener("drop", async (event) => {
      this.over(event, false);
      this.add(await filesOf(event.dataTransfer));
    });
    window.addEventListener("beforeunload", (event) => {
      if (this.sending || this.queue.length) event.preventDefault();
    });
  }

  over(event, on) {
    event.preventDefault();
    this.zone.classList.toggle("drop-over", on);
  }

  add(files) {
    const taken = this.input.multiple ? files : files.slice(0, 1);
    for (const file of taken) {
      const row = new Row(file, () => this.again(row));
      this.rows.append(row.element);
      this.queue.push(row);
    }
    this.next();
  }

  again(row) {
    row.say("waiting", "waiting");
    this.queue.push(row);
    this.next();
  }

  async next() {
    if (this.sending >= AT_ONCE || !this.queue.length) return;
    const row = this.queue.shift();
    this.sending += 1;
    this.next();
    await this.send(row);
    this.sending -= 1;
    this.next();
  }

  async send(row) {
    for (const wait of [...WAITS, null]) {
      const answer = await this.post(row);
      if (answer.status !== 0 && answer.status !== 503) return row.show(answer);
      if (wait === null) return row.lost();
      row.say("caution", "no connection, tried again in a moment");
      await new Promise((done) => setTimeout(done, wait));
    }
  }

  post(row) {
    return new Promise((done) => {
      const request = new XMLHttpRequest(); // fetch cannot tell how much of an upload is through
      request.open("POST", this.form.action);
      request.setRequestHeader("Accept", "application/json");
      request.setRequestHeader("Idempotency-Key", row.key);
      request.upload.addEventListener("progress", (event) => row.progress(event));
      request.addEventListener("loadend", () => done({ status: request.status, body: parse(request.responseText) }));
      request.send(this.content(row.file));
    });
  }

  content(file) {
    const content = new FormData();
    for (const field of this.form.elements) {
      if (field.name && field.type !== "file" && !(field.type === "checkbox" && !field.checked)) content.append(field.name, field.value);
    }
    content.append(this.input.name, file, file.name);
    return content;
  }
}

class Row {
  constructor(file, again) {
    this.file = file;
    this.key = freshKey();
    this.retry = again;
    this.element = part("li", "drop-row");
    const name = part("span", "drop-name", file.webkitRelativePath || file.path || file.name);
    name.append(part("span", "quiet", ` ${size(file.size)}`));
    this.words = part("div", "drop-words");
    this.act = part("span", "drop-act");
    this.element.append(name, this.words, this.act);
    this.say("waiting", "waiting");
  }

  say(kind, ...content) {
    this.act.replaceChildren();
    const line = part("p", `state state-${kind}`);
    line.append(shape(kind), part("span", "", content[0]), ...content.slice(1));
    this.words.replaceChildren(line);
  }

  progress(event) {
    if (!event.lengthComputable) return this.say("working", "sending");
    const done = Math.floor((100 * event.loaded) / event.total);
    this.say("working", done < 100 ? `sending ${done} %` : "sent, being read");
  }

  show({ status, body }) {
    if (status >= 200 && status < 300) this.received(body);
    else this.refused(status, body);
  }

  received(body) {
    this.say("good", body.message || "received", " ", ...linkTo(body));
    if (!body.follow || !window.htmx) return;
    const next = part("div", "");
    next.setAttribute("hx-get", body.follow);
    next.setAttribute("hx-trigger", "load");
    next.setAttribute("hx-swap", "outerHTML");
    this.words.append(next);
    window.htmx.process(next);
  }

  refused(status, body) {
    const why = body.detail || body.title || `The server answered ${status}.`;
    this.say("stopped", "refused", ": ", why, " ", ...linkTo(body));
    if (body.next_step) this.words.append(part("p", "quiet", body.next_step));
    if (status >= 500 || status === 403 || status === 429) this.offerAgain();
  }

  lost() {
    this.say("stopped", "not sent: no connection. The file is still here.");
    this.offerAgain();
  }

  offerAgain() {
    const button = part("button", "button", "Send again");
    button.type = "button";
    button.addEventListener("click", () => this.retry());
    this.act.replaceChildren(button);
  }
}

function linkTo(body) {
  const code = body.code && /^[A-Z]+-\d/.test(body.code) ? body.code : body.record;
  if (!body.url || !code) return [];
  const link = part("a", "code-link code", code);
  link.href = body.url;
  return [link];
}

function part(kind, name, text = "") {
  const element = document.createElement(kind);
  if (name) element.className = name;
  element.textContent = text;
  return element;
}

/** The same shapes as on pages (templates/parts/_shape.html), taken from the page's own store of them. */
function shape(kind) {
  const found = document.querySelector(`[data-shapes] [data-kind="${kind}"] svg`);
  return found ? found.cloneNode(true) : "";
}

function parse(text) {
  try {
    return JSON.parse(text) ?? {};
  } catch {
    return {};
  }
}

function size(bytes) {
  const steps = ["B", "kB", "MB", "GB"];
  let step = 0;
  while (bytes >= 1000 && step < 3) {
    bytes /= 1000;
    step += 1;
  }
  return `${bytes < 10 && step ? bytes.toFixed(1) : Math.round(bytes)} ${steps[step]}`;
}

/** All files in what was dropped, folders opened. */
async function filesOf(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.length) return [...transfer.files];
  return (await Promise.all(entries.map(open))).flat();
}

function open(entry) {
  if (entry.isFile) {
    return new Promise((done) => {
      entry.file((file) => done([Object.assign(file, { path: entry.fullPath.slice(1) })]), () => done([]));
    });
  }
  return openFolder(entry.createReader(), []);
}

/** A folder is read in parts until an empty one comes. */
async function openFolder(reader, found) {
  const entries = await new Promise((done) => reader.readEntries(done, () => done([])));
  if (!entries.length) return found;
  return openFolder(reader, [...found, ...(await Promise.all(entries.map(open))).flat()]);
}
