/** The place where a crystal is asked for and its recipe is searched. */
import { useEffect } from "preact/hooks";
import { arrive } from "../state/design";
import { Rows } from "./designRows";
import { SearchPanel } from "./designSearch";
import { AsText, EarlierDesigns, OutlineOrRun } from "./designSource";
import "./design.css";

export function DesignPage() {
  useEffect(() => void arrive(), []);
  return (
    <main class="design">
      <h1 class="unseen">Design: from the crystal that is wanted to its recipe</h1>
      <section class="panel target" aria-labelledby="target-title">
        <h2 id="target-title">The crystal that is wanted</h2>
        <Rows />
        <OutlineOrRun />
        <AsText />
      </section>
      <div class="design-right">
        <SearchPanel />
        <EarlierDesigns />
      </div>
    </main>
  );
}
