/** The paths taken: a tree of alternatives that can be named, kept, gone to and compared. */
import { useSignal } from "@preact/signals";
import { useLayoutEffect, useRef } from "preact/hooks";
import type { Branch } from "../api/types";
import { dropBranch, editBranch, fork, go, tree } from "../state/bench";
import { compared } from "../state/compare";
import { digits, spoken } from "./format";

export function PathsPanel() {
  const t = tree.value;
  if (!t) return null;
  const roots = t.branches.filter((b) => b.parent === null || !t.branches.some((o) => o.number === b.parent));
  return (
    <section class="panel paths" aria-labelledby="paths-title">
      <div class="panel-head">
        <h2 id="paths-title">Paths taken</h2>
        <button type="button" class="small-button" onClick={() => void fork()}>
          Branch off here
        </button>
      </div>
      <ul class="tree">
        {roots.map((b) => (
          <Path key={b.number} branch={b} all={t.branches} current={t.current} />
        ))}
      </ul>
    </section>
  );
}

function Path({ branch, all, current }: { branch: Branch; all: Branch[]; current: number }) {
  const naming = useSignal(false);
  const children = all.filter((b) => b.parent === branch.number);
  const here = branch.number === current;
  const name = branch.name || `Path ${branch.number}`;
  const last = branch.last;
  return (
    <li>
      <div class={`path ${here ? "here" : ""}`} role="group" aria-label={name} aria-current={here ? "true" : undefined}>
        {naming.value ? (
          <NameField
            name={name}
            onDone={(text, byKey) => {
              naming.value = false;
              if (text && text !== name) void editBranch(branch.number, { name: text });
              // Whoever works by keys goes on from where they came.
              if (byKey) requestAnimationFrame(() => document.getElementById(`rename-${branch.number}`)?.focus());
            }}
          />
        ) : (
          <button type="button" class="path-go" onClick={() => void go({ branch: branch.number, time_s: branch.end_s })}>
            <strong>{name}</strong>
            <small>
              {branch.parent === null ? "from the seed" : `from ${spoken(branch.from_s)}`} to {spoken(branch.end_s)}
              {last ? `; ${digits(last.radius_um)} × ${digits(last.thickness_um)} µm` : ""}
              {branch.habit ? `; ${branch.habit}` : ""}
            </small>
          </button>
        )}
        <span class="path-tools">
          <label class="choice">
            <input
              type="checkbox"
              aria-label={`Keep ${name}`}
              checked={branch.kept}
              onChange={(e) => void editBranch(branch.number, { kept: e.currentTarget.checked })}
            />
            <span>keep</span>
          </label>
          <button type="button" id={`rename-${branch.number}`} class="small-button" aria-label={`Rename ${name}`} onClick={() => (naming.value = true)}>
            name
          </button>
          {!here && (
            <button
              type="button"
              class="small-button"
              aria-label={`Compare ${name} with the current path`}
              onClick={() => (compared.value = { kind: "paths", of: [current, branch.number] })}
            >
              compare
            </button>
          )}
          {!here && !branch.kept && children.length === 0 && (
            <button type="button" class="small-button" aria-label={`Delete ${name}`} onClick={() => void dropBranch(branch.number)}>
              delete
            </button>
          )}
        </span>
      </div>
      {children.length > 0 && (
        <ul>
          {children.map((b) => (
            <Path key={b.number} branch={b} all={all} current={current} />
          ))}
        </ul>
      )}
    </li>
  );
}

/** A new name: all of the old one is chosen at first, and what is typed stays while the tree grows on. */
function NameField({ name, onDone }: { name: string; onDone: (text: string | null, byKey: boolean) => void }) {
  const field = useRef<HTMLInputElement>(null);
  const done = useRef(false);
  useLayoutEffect(() => {
    field.current?.focus();
    field.current?.select();
  }, []);
  const end = (text: string | null, byKey: boolean): void => {
    if (done.current) return; // leaving the field follows upon the key
    done.current = true;
    onDone(text, byKey);
  };
  return (
    <input
      ref={field}
      type="text"
      class="path-name"
      aria-label={`New name of ${name}`}
      maxLength={60}
      defaultValue={name}
      onKeyDown={(e) => {
        if (e.key === "Enter") end(e.currentTarget.value.trim(), true);
        if (e.key === "Escape") end(null, true);
      }}
      onBlur={(e) => end(e.currentTarget.value.trim(), false)}
    />
  );
}
