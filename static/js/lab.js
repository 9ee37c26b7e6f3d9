/* What every page starts. Each behaviour is a module of its own, bound to a data attribute; pages work without them. */
import { startBench } from "./bench.js";
import { startDrop } from "./drop.js";
import { startExplain } from "./explain.js";
import { startKeep } from "./keep.js";
import { startKeys } from "./keys.js";
import { startNumber } from "./number.js";
import { startOnce } from "./once.js";
import { startOrder } from "./order.js";
import { startPlots } from "./plot.js";
import { startQueue } from "./queue.js";
import { startRefresh } from "./refresh.js";
import { startScan } from "./scan.js";
import { startSymbol } from "./symbol.js";

/** Start the behaviours of everything inside `root` (the page, or a fragment that came later). */
export function start(root) {
  startNumber(root);
  startBench(root);
  startQueue(root, start);
  startKeep(root);
  startOnce(root);
  startDrop(root);
  startOrder(root);
  startPlots(root);
  startScan(root);
  startSymbol(root);
  startExplain(root);
}

start(document);
startRefresh(start);
startKeys(document.body);
document.querySelector("[data-refusal]")?.focus();
