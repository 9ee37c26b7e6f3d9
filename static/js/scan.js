/*
 * scan: a field with data-scan takes a code from the camera, where the browser can read symbols (BarcodeDetector).
 *
 * A scanner that types like a keyboard, and typing, work without this. Nothing leaves the device: the picture is read
 * here, and only the text goes into the field. The server checks the code and its kind.
 */

const PAUSE = 200;

export function startScan(root) {
  if (!("BarcodeDetector" in window) || !navigator.mediaDevices?.getUserMedia) return;
  for (const field of root.querySelectorAll("[data-scan]")) {
    if (field.dataset.scanReady) continue;
    field.dataset.scanReady = "yes";
    const button = document.createElement("button");
    button.type = "button";
    button.className = "button-quiet scan-button";
    button.textContent = "Scan with the camera";
    button.addEventListener("click", () => scanInto(field, button));
    field.after(button);
  }
}

async function scanInto(field, button) {
  const { dialog, video, words } = makeDialog();
  let stream = null;
  const close = () => {
    stream?.getTracks().forEach((track) => track.stop());
    dialog.remove();
    button.focus();
  };
  dialog.addEventListener("close", close);
  document.body.append(dialog);
  dialog.showModal();
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    if (!dialog.isConnected) return stream.getTracks().forEach((track) => track.stop());
    video.srcObject = stream;
    await video.play();
    const text = await firstSymbol(video, dialog);
    if (text) put(field, text);
    dialog.close();
  } catch (error) {
    words.textContent = `The camera cannot be used (${error.name}). Type the code instead.`;
  }
}

async function firstSymbol(video, dialog) {
  const detector = new BarcodeDetector({ formats: ["qr_code"] });
  while (dialog.open) {
    const [found] = await detector.detect(video);
    if (found) return found.rawValue;
    await new Promise((done) => setTimeout(done, PAUSE));
  }
  return "";
}

/* A box for several codes gets one more line, a box for one code is filled anew. */
function put(field, text) {
  const several = field instanceof HTMLTextAreaElement && field.value.trim();
  field.value = several ? `${field.value.trimEnd()}\n${text}` : text;
  field.dispatchEvent(new Event("input", { bubbles: true }));
  field.dispatchEvent(new Event("change", { bubbles: true }));
}

function makeDialog() {
  const dialog = document.createElement("dialog");
  dialog.className = "scan";
  dialog.setAttribute("aria-label", "Scan with the camera");
  const video = document.createElement("video");
  video.muted = true;
  video.playsInline = true;
  const words = document.createElement("p");
  words.setAttribute("role", "status");
  words.textContent = "Hold the label before the camera.";
  const cancel = document.createElement("button");
  cancel.type = "button";
  cancel.className = "button";
  cancel.textContent = "Close";
  cancel.addEventListener("click", () => dialog.close());
  dialog.append(words, video, cancel);
  return { dialog, video, words };
}
