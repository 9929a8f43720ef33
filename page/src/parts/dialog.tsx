/** A native dialog: focus stays inside, Escape closes, focus goes back to where it was. */
import type { ComponentChildren } from "preact";
import { useEffect, useRef } from "preact/hooks";
import { failure } from "../state/bench";

interface Props {
  title: string;
  open: boolean;
  wide?: boolean;
  onClose: () => void;
  children: ComponentChildren;
}

export function Dialog({ title, open, wide, onClose, children }: Props) {
  const ref = useRef<HTMLDialogElement>(null);
  useEffect(() => {
    const d = ref.current;
    if (!d) return;
    if (open && !d.open) {
      failure.value = null; // what went wrong before has been seen, and is not about this
      d.showModal();
    }
    if (!open && d.open) d.close();
  }, [open]);
  return (
    <dialog ref={ref} class={wide ? "wide" : ""} aria-label={title} onClose={onClose}>
      {open && (
        <>
          <div class="panel-head">
            <h2>{title}</h2>
            <button type="button" onClick={onClose}>
              Close
            </button>
          </div>
          {failure.value && (
            <p class="caution" role="alert">
              {failure.value}
            </p>
          )}
          {children}
        </>
      )}
    </dialog>
  );
}
