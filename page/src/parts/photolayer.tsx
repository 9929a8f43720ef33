import { address } from "../api/client";
import { here, photos } from "../state/bench";

/** The photographs themselves, over the crystal, to the scale of the view. */
export function PhotoLayer({ pixelsPerUm }: { pixelsPerUm: number }) {
  return (
    <div class="photos" aria-hidden="true">
      {photos.value.map((p) => {
        const scale = p.um_per_pixel * pixelsPerUm;
        return (
          <img
            key={p.number}
            src={address(here(`photos/${p.number}`))}
            alt=""
            draggable={false}
            style={{
              width: `${p.width * scale}px`,
              height: `${p.height * scale}px`,
              opacity: p.opacity,
              transform: `translate(-50%, -50%) translate(${p.x_um * pixelsPerUm}px, ${-p.y_um * pixelsPerUm}px) rotate(${-p.rotation_deg}deg)`,
            }}
          />
        );
      })}
    </div>
  );
}
