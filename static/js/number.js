/*
 * number: a field with data-number takes a decimal comma or a decimal point and never guesses.
 *
 * "25,3" becomes 25.3; "1 234,5" and "1.234,5" become 1234.5; "1,234" can mean two things, so it asks.
 * data-expected="250" asks when the value is 10, 100 or 1000 times off. The unit beside the field may be pasted along.
 * The server checks all of this again (lims/web/forms/fields.py): this module only asks earlier.
 */

const SLIPS = [10, 100, 1000, 0.1, 0.01, 0.001];
const SLIP_WIDTH = 0.05;

export function startNumber(root) {
  for (const field of root.querySelectorAll("input[data-number]")) {
    if (field.dataset.numberReady) continue;
    field.dataset.numberReady = "yes";
    field.addEventListener("change", () => check(field));
  }
}

/** What `text` can mean: a list of plain numbers as text; none where it is no number. */
export function meanings(text) {
  const plain = text.trim().replace(/[\s\u00a0\u202f'’_]/g, "").replace(/^\u2212/, "-");
  const found = /^([+-]?)([\d.,]+)(e[+-]?\d+)?$/i.exec(plain);
  if (!found || !/\d/.test(found[2])) return [];
  const [, sign, digits, power = ""] = found;
  return readDigits(digits).map((value) => `${sign === "-" ? "-" : ""}${value}${power}`);
}

function readDigits(digits) {
  const commas = digits.split(",").length - 1;
  const points = digits.split(".").length - 1;
  if (commas && points) return mixed(digits);
  if (points > 1) return grouped(digits, ".");
  if (commas > 1) return grouped(digits, ",");
  if (commas === 0) return [tidy(digits)];
  const decimal = tidy(digits.replace(",", "."));
  return /^[1-9]\d{0,2},\d{3}$/.test(digits) ? [decimal, digits.replace(",", "")] : [decimal];
}

/** Both signs: the last one is the decimal sign, the other parts thousands and must stand where thousands stand. */
function mixed(digits) {
  const decimal = digits.lastIndexOf(",") > digits.lastIndexOf(".") ? "," : ".";
  const [whole, rest, more] = digits.split(decimal);
  if (more !== undefined) return [];
  return grouped(whole, decimal === "," ? "." : ",").map((start) => tidy(`${start}.${rest}`));
}

function grouped(digits, mark) {
  const parts = digits.split(mark);
  const right = /^\d{1,3}$/.test(parts[0]) && parts.slice(1).every((part) => /^\d{3}$/.test(part));
  return right ? [parts.join("")] : [];
}

function tidy(text) {
  if (text.startsWith(".")) return `0${text}`;
  return text.endsWith(".") ? text.slice(0, -1) : text;
}

function check(field) {
  field.closest(".field")?.querySelector(".ask")?.remove();
  const unit = unitOf(field);
  const text = field.value.trim();
  const bare = unit && text.endsWith(unit) ? text.slice(0, -unit.length) : text;
  const possible = meanings(bare).filter((value) => inRange(field, value));
  if (possible.length === 2) ask(field, `${bare.trim()} can mean two things. Which one?`, possible, unit);
  else if (possible.length === 1) {
    field.value = possible[0];
    askAboutSlip(field, possible[0], unit);
  }
}

/** The unit that stands beside the field. */
function unitOf(field) {
  return field.dataset.unit ?? field.closest(".control")?.querySelector(".unit")?.textContent.trim() ?? "";
}

/** A meaning outside what the field can hold at all is none. */
function inRange(field, value) {
  const { least, most } = field.dataset;
  return !(least !== undefined && Number(value) < Number(least)) && !(most !== undefined && Number(value) > Number(most));
}

function askAboutSlip(field, value, unit) {
  const expected = Number(field.dataset.expected);
  if (!expected || field.dataset.confirmed === value) return;
  const slip = SLIPS.find((factor) => Math.abs(Number(value) / expected / factor - 1) < SLIP_WIDTH);
  if (slip) ask(field, `${value} ${unit} is ${times(slip)} what is expected here (${expected} ${unit}).`, [value], unit);
}

function times(slip) {
  return slip >= 1 ? `${slip} times` : `1/${Math.round(1 / slip)} of`;
}

function ask(field, words, values, unit) {
  const box = document.createElement("div");
  box.className = "ask";
  box.setAttribute("role", "alert");
  const text = document.createElement("p");
  text.textContent = words;
  box.append(text, ...values.map((value) => answer(field, box, value, unit)));
  (field.closest(".field") ?? field.parentElement).append(box);
}

function answer(field, box, value, unit) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = `${box.childElementCount || field.value === value ? "Yes, " : ""}${value} ${unit}`.trim();
  button.addEventListener("click", () => {
    field.value = value;
    field.dataset.confirmed = value;
    confirm(field, value);
    box.remove();
    field.dispatchEvent(new Event("input", { bubbles: true }));
    field.focus();
  });
  return button;
}

/** Tell the server that this very value was asked about and meant. */
function confirm(field, value) {
  const name = `${field.name}_meant`;
  const hidden = field.form?.elements[name] ?? document.createElement("input");
  hidden.type = "hidden";
  hidden.name = name;
  hidden.value = value;
  field.form?.append(hidden);
}
