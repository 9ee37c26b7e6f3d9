/*
 * order: rows of a form moved up and down by their buttons, without a sending.
 *
 * A row moves as it stands, with its errors; then every name, id and label is numbered by the place its row has now, so
 * that what is sent is in the order that is seen. Without this module the buttons send the form and the server moves.
 */
export function startOrder(root) {
  for (const body of root.querySelectorAll("[data-order]")) {
    if (body.dataset.orderReady) continue;
    body.dataset.orderReady = "yes";
    body.addEventListener("click", (event) => {
      const button = event.target.closest("[data-move]");
      if (!button) return;
      event.preventDefault();
      move(body, button);
    });
  }
}

function move(body, button) {
  const row = button.closest("tr");
  const up = button.dataset.move === "up";
  const other = up ? row.previousElementSibling : row.nextElementSibling;
  if (!other) return;
  if (up) other.before(row);
  else other.after(row);
  [...body.rows].forEach(number);
  button.focus();
  tell(body, `Moved to row ${row.sectionRowIndex + 1}.`);
  row.querySelector("input, select")?.dispatchEvent(new Event("change", { bubbles: true }));
}

function number(row, place) {
  row.querySelector("th").textContent = place + 1;
  for (const part of row.querySelectorAll("[name], [id], [for], [aria-describedby]")) {
    for (const name of ["name", "id", "for", "aria-describedby"]) {
      const value = part.getAttribute(name);
      if (value) part.setAttribute(name, value.replace(/(^|_)(\w+)-\d+-/, `$1$2-${place}-`));
    }
  }
  for (const label of row.querySelectorAll("label")) {
    label.textContent = label.textContent.replace(/\d+$/, place + 1);
  }
  for (const button of row.querySelectorAll("[data-move]")) {
    button.value = button.value.replace(/\d+$/, place);
    button.setAttribute("aria-label", `Move row ${place + 1} ${button.dataset.move}`);
  }
}

function tell(body, words) {
  const wrap = body.closest(".table-wrap");
  let status = wrap.querySelector("[role=status]");
  if (!status) {
    status = document.createElement("p");
    status.className = "unseen";
    status.setAttribute("role", "status");
    wrap.append(status);
  }
  status.textContent = words;
}
