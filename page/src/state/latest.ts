/**
 * One request under way at a time; what is asked meanwhile is merged into one and sent afterwards. A dragged knob makes
 * hundreds of values: the engine wants the newest, and no queue behind it.
 */
export function latest<T extends object>(
  send: (value: T) => Promise<unknown>,
  merge: (older: T, newer: T) => T,
): (value: T) => void {
  let busy = false;
  let next: T | null = null;
  const run = async (value: T): Promise<void> => {
    busy = true;
    try {
      await send(value);
    } finally {
      busy = false;
      const more = next;
      next = null;
      if (more) void run(more);
    }
  };
  return (value) => {
    if (busy) next = next ? merge(next, value) : value;
    else void run(value);
  };
}
