/* bench: a live bar against the target, a step's timer that runs from the server's start, numbers that came by a scanner. */

const FAST = 35; // ms between two characters: a scanner, not a hand

export function startBench(root) {
  root.querySelectorAll("[data-weigh-bar]").forEach(startBar);
  root.querySelectorAll("[data-since]").forEach(startTimer);
}

function startBar(box) {
  const field = box.closest("form").elements[box.dataset.weighBar];
  const scanned = box.closest("form").elements.scanned;
  let last = 0;
  let slow = false;
  field.addEventListener("keydown", (event) => {
    if (event.key.length > 1) return;
    if (field.value) slow ||= event.timeStamp - last > FAST;
    else slow = false;
    last = event.timeStamp;
  });
  field.addEventListener("input", () => {
    if (scanned) scanned.value = !slow && field.value.length > 2 ? "on" : "";
    draw(box, field.value);
  });
  draw(box, field.value);
}

function draw(box, text) {
  const [target, allowed] = [Number(box.dataset.target), Number(box.dataset.allowed)];
  const net = Number(text.replace(",", "."));
  const words = box.querySelector("p");
  const known = text !== "" && Number.isFinite(net) && target > 0;
  box.querySelector("meter").value = known ? Math.min(net / target, 2) : 0;
  if (!known) words.textContent = "";
  else if (Math.abs(net - target) <= allowed) words.textContent = "Within the allowed range";
  else words.textContent = net < target ? `${tidy(target - net)} g to go` : `${tidy(net - target)} g too much`;
}

function tidy(grams) {
  return String(Number(grams.toPrecision(4)));
}

function startTimer(box) {
  const since = Date.parse(box.dataset.since);
  const planned = Number(box.dataset.planned ?? 0);
  const words = document.createElement("strong");
  box.append(" ", words);
  const tick = () => {
    const gone = Math.max(0, Math.floor((Date.now() - since) / 1000));
    const left = Math.round(planned - gone);
    words.textContent = !planned ? clock(gone) : left >= 0 ? `${clock(left)} left` : `${clock(-left)} over`;
    if (box.isConnected) setTimeout(tick, 1000);
  };
  tick();
}

function clock(seconds) {
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}
