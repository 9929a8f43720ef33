/** The mark of a result that hangs on values from memory, which nobody here could confirm. */
export function FromMemory({ marks }: { marks: string[] }) {
  const why = marks.join(" ") || "Rests on values quoted from memory, not yet confirmed.";
  return (
    <abbr class="from-memory" title={why}>
      from memory
    </abbr>
  );
}
