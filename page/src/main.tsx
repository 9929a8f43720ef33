import { render } from "preact";
import "uplot/dist/uPlot.min.css";
import "./page.css";
import { App } from "./parts/app";
import { attempt, begin } from "./state/bench";
import { onKey } from "./state/keys";

const root = document.getElementById("page");
if (root) {
  root.replaceChildren();
  render(<App />, root);
  document.addEventListener("keydown", onKey);
  void attempt(begin);
}
