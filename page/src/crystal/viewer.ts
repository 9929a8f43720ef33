/**
 * The crystal on the screen: an orthographic view, as through a microscope, so that the scale bar is true everywhere.
 * Lengths are in micrometres; z is the c axis. Nothing is drawn unless something changed.
 */
import * as THREE from "three";
import { OrbitControls } from "three/addons/controls/OrbitControls.js";
import { type ColourBy, table } from "./colours";
import { alignSeams, mirrors, turns } from "./fold";
import { vertexNormals } from "./normals";
import { ringStep } from "./rings";
import { paintSection } from "./section";
import type { Section } from "../api/types";

export type Quality = "high" | "low";
export type Theme = "dark" | "light" | "red";
export type View = "plan" | "side" | "end" | "tilted"; // side: along y, corners to both sides; end: along x, faces
export type CutKind = "none" | "upright" | "level";

/** One crystal as it came from the server, in micrometres and seconds. */
export interface Surface {
  positions: Float32Array; // n x 3
  index: Uint32Array; // m x 3, against the clock from outside
  thickness: Float32Array; // n, micrometres along c
  age: Float32Array; // n, seconds of crystal time at which that part froze
  copies: number; // of a sector that is turned into the whole, or 1
  mirrored: boolean; // the upper half that is mirrored into the lower
  time: number; // seconds
  spacing: number; // micrometres, one voxel
}

export interface Legend {
  low: number;
  high: number;
  rings: number; // spacing of the drawn rings, in the unit of low and high; 0 for none
}

/**
 * Where the crystal's axes lie on the screen: one micrometre along x is (ax, ay) pixels to the right and down, along y
 * (bx, by), along z (cx, cy); the middle itself is (x, y) from the middle of the view.
 */
export interface Sight {
  pixelsPerUm: number;
  ax: number;
  ay: number;
  bx: number;
  by: number;
  cx: number;
  cy: number;
  x: number;
  y: number;
}

const NEAR = 0.24; // by how much of the lit ball's radius the reflection moves from the middle of the view to its edge
// The line of three.js that looks up the lit ball; if a later version words it otherwise, facets are lit from afar again.
const MATCAP = "vec2 uv = vec2( dot( x, normal ), dot( y, normal ) ) * 0.495 + 0.5;";
const FIT = 1.1; // room left around the crystal

interface Look {
  clear: string;
  ice: [string, string, string, string]; // centre, mid, rim, glint
  cut: string;
  line: string;
}

const LOOKS: Record<Theme, Look> = {
  dark: { clear: "#070d14", ice: ["#13314a", "#2c6a94", "#a9dcf5", "#f4fcff"], cut: "#39617d", line: "#dff3ff" },
  light: { clear: "#eef3f6", ice: ["#dcecf5", "#9cc6de", "#3f7fa6", "#ffffff"], cut: "#7ba7c2", line: "#0c2a3f" },
  // Red alone, to the last pixel: it spares the eye that has got used to the dark.
  red: { clear: "#000000", ice: ["#2c0000", "#640000", "#c00000", "#ff0000"], cut: "#550000", line: "#ff0000" },
};

/** A picture of a lit ball, drawn once; a surface takes its colour from where its normal points on it. */
function litBall(look: Look): THREE.Texture {
  const size = 256;
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = size;
  const pen = canvas.getContext("2d");
  if (pen) {
    const [centre, mid, rim, glint] = look.ice;
    const body = pen.createRadialGradient(size / 2, size / 2, 0, size / 2, size / 2, size / 2);
    body.addColorStop(0, centre);
    body.addColorStop(0.45, mid);
    body.addColorStop(0.86, rim);
    body.addColorStop(1, glint);
    pen.fillStyle = body;
    pen.fillRect(0, 0, size, size);
    // Two lamps and one dark flank, so that the six facets never look alike: ice shows by its surroundings.
    const lamp = (x: number, y: number, r: number, colour: string, strength: number): void => {
      const g = pen.createRadialGradient(x * size, y * size, 0, x * size, y * size, r * size);
      g.addColorStop(0, colour);
      g.addColorStop(1, "transparent");
      pen.globalAlpha = strength;
      pen.fillStyle = g;
      pen.fillRect(0, 0, size, size);
    };
    lamp(0.3, 0.2, 0.34, glint, 0.9);
    lamp(0.86, 0.62, 0.25, rim, 0.7);
    lamp(0.3, 0.88, 0.42, centre, 0.85);
  }
  const texture = new THREE.CanvasTexture(canvas);
  texture.colorSpace = THREE.SRGBColorSpace;
  return texture;
}

function colourTexture(theme: Theme): THREE.DataTexture {
  const texture = new THREE.DataTexture(table(theme === "red"), 256, 1, THREE.RGBAFormat, THREE.FloatType);
  texture.needsUpdate = true;
  return texture;
}

export class Viewer {
  /** Meshes shown so far; tests wait on it. */
  meshes = 0;
  pixelsPerUm = 1;
  legend: Legend = { low: 0, high: 1, rings: 0 };
  onScale: (pixelsPerUm: number) => void = () => {};
  onSight: (sight: Sight) => void = () => {};
  onLegend: (legend: Legend) => void = () => {};
  drawing = true;

  private readonly renderer: THREE.WebGLRenderer;
  private readonly scene = new THREE.Scene();
  private readonly camera = new THREE.OrthographicCamera(-1, 1, 1, -1, -1e5, 1e5);
  private readonly controls: OrbitControls;
  private readonly body = new THREE.Group();
  private readonly face = new THREE.Mesh(new THREE.PlaneGeometry(1, 1), new THREE.MeshBasicMaterial());
  private readonly clip = new THREE.Plane(new THREE.Vector3(0, 1, 0), 1e9);
  private readonly mapped: THREE.MeshLambertMaterial;
  private readonly uniforms = { map: { value: new THREE.Texture() }, rings: { value: 0 }, near: { value: 0 } };
  private ice: THREE.MeshMatcapMaterial;
  private inside: THREE.MeshBasicMaterial;
  private behind: THREE.MeshMatcapMaterial;
  private outline: THREE.MeshBasicMaterial;
  private geometry = new THREE.BufferGeometry();
  private surface: Surface | null = null;
  private by: ColourBy = "ice";
  private theme: Theme = "dark";
  private cut: { kind: CutKind; at: number } = { kind: "none", at: 0 };
  private halfHeight = 20;
  private follow = true;
  private pending = 0;
  private transparent = false;
  private readonly watcher: ResizeObserver;

  constructor(
    private readonly host: HTMLElement,
    private readonly quality: Quality,
  ) {
    this.renderer = new THREE.WebGLRenderer({
      antialias: quality === "high",
      alpha: true,
      powerPreference: "low-power",
      preserveDrawingBuffer: false,
    });
    this.renderer.setPixelRatio(quality === "high" ? Math.min(window.devicePixelRatio, 2) : 0.75);
    this.renderer.localClippingEnabled = true;
    const canvas = this.renderer.domElement;
    canvas.setAttribute("aria-hidden", "true");
    host.appendChild(canvas);


    const planes = [this.clip];
    this.ice = new THREE.MeshMatcapMaterial({ clippingPlanes: planes, vertexColors: true });
    this.behind = new THREE.MeshMatcapMaterial({
      side: THREE.BackSide,
      transparent: true,
      opacity: 0.35,
      depthWrite: false,
      depthTest: false,
      clippingPlanes: planes,
    });
    // The lamps are near: what a flat facet mirrors changes along it, as on ice under a real lamp, and it does not look painted.
    for (const lit of [this.ice, this.behind]) {
      lit.onBeforeCompile = (shader) => {
        shader.uniforms.uNear = this.uniforms.near;
        shader.fragmentShader = shader.fragmentShader
          .replace("#include <common>", "#include <common>\nuniform float uNear;")
          .replace(MATCAP, "vec2 near = vec2( dot( x, normal ), dot( y, normal ) ) - vViewPosition.xy * uNear;\nvec2 uv = near / max( 1.0, length( near ) ) * 0.495 + 0.5;");
      };
    }
    this.inside = new THREE.MeshBasicMaterial({ side: THREE.BackSide, clippingPlanes: planes });
    this.outline = new THREE.MeshBasicMaterial({ side: THREE.BackSide });
    this.mapped = new THREE.MeshLambertMaterial({ clippingPlanes: planes });
    this.mapped.onBeforeCompile = (shader) => {
      shader.uniforms.uMap = this.uniforms.map;
      shader.uniforms.uRings = this.uniforms.rings;
      shader.vertexShader = shader.vertexShader
        .replace("#include <common>", "#include <common>\nattribute float aValue;\nvarying float vValue;")
        .replace("#include <begin_vertex>", "#include <begin_vertex>\nvValue = aValue;");
      shader.fragmentShader = shader.fragmentShader
        .replace(
          "#include <common>",
          "#include <common>\nvarying float vValue;\nuniform sampler2D uMap;\nuniform float uRings;",
        )
        .replace(
          "#include <color_fragment>",
          `diffuseColor.rgb = texture2D(uMap, vec2(clamp(vValue, 0.002, 0.998), 0.5)).rgb;
          if (uRings > 0.0) {
            float turn = vValue * uRings;
            float near = abs(fract(turn + 0.5) - 0.5) / max(fwidth(turn), 1e-5);
            diffuseColor.rgb *= mix(0.35, 1.0, smoothstep(0.4, 1.4, near));
          }`,
        );
    };

    this.face.material.side = THREE.DoubleSide;
    this.face.material.alphaTest = 0.5;
    this.face.material.polygonOffset = true;
    this.face.material.polygonOffsetFactor = -1;
    this.face.material.polygonOffsetUnits = -4;
    this.face.matrixAutoUpdate = false;
    this.face.visible = false;
    this.scene.add(this.body, this.face);
    // The lamp goes with the eye, so that turning the crystal makes its facets flash.
    const lamp = new THREE.DirectionalLight("#ffffff", 1.9);
    lamp.position.set(-0.5, 0.8, 1.2);
    this.camera.add(lamp);
    this.scene.add(this.camera, new THREE.AmbientLight("#ffffff", 1.1));

    this.camera.up.set(0, 0, 1);
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.enableDamping = false;
    this.controls.enablePan = true;
    this.controls.minZoom = 0.05;
    this.controls.maxZoom = 60;
    this.controls.addEventListener("change", () => this.changed());
    this.controls.addEventListener("start", () => {
      this.follow = false;
    });
    this.look("tilted");
    this.setTheme("dark");
    this.watcher = new ResizeObserver(() => this.resize());
    this.watcher.observe(host);
    this.resize();
  }

  dispose(): void {
    this.watcher.disconnect();
    this.controls.dispose();
    this.geometry.dispose();
    this.renderer.dispose();
    this.renderer.domElement.remove();
  }

  /** Show this crystal from now on. */
  setSurface(surface: Surface): void {
    this.surface = surface;
    this.meshes += 1;
    const old = this.geometry;
    const n = surface.positions.length / 3;
    const normals = vertexNormals(surface.positions, surface.index, n);
    alignSeams(surface.positions, normals, surface.spacing * 0.02, surface.copies === 6, surface.mirrored);
    const g = new THREE.BufferGeometry();
    g.setAttribute("position", new THREE.BufferAttribute(surface.positions, 3));
    g.setAttribute("normal", new THREE.BufferAttribute(normals, 3));
    g.setIndex(new THREE.BufferAttribute(surface.index, 1));
    this.geometry = g;
    this.paint();
    this.rebuild();
    old.dispose();
    this.fitIfFollowing();
    this.changed();
  }

  /** The face of the cut, coloured by when each part froze; null while it is not known. */
  setSection(section: Section | null): void {
    const material = this.face.material;
    material.map?.dispose();
    material.map = null;
    this.face.visible = false;
    const painted = section && this.cut.kind !== "none" ? paintSection(section, this.theme === "red") : null;
    if (painted) {
      const { centre, size, canvas } = painted;
      material.map = new THREE.CanvasTexture(canvas);
      material.map.colorSpace = THREE.SRGBColorSpace;
      material.map.magFilter = THREE.NearestFilter;
      material.needsUpdate = true;
      const place = new THREE.Matrix4().makeTranslation(centre[0], centre[1], 0);
      place.multiply(new THREE.Matrix4().makeScale(size[0], size[1], 1));
      if (this.cut.kind === "upright") {
        place.premultiply(new THREE.Matrix4().makeRotationX(Math.PI / 2));
        place.premultiply(new THREE.Matrix4().makeRotationZ((this.cut.at * Math.PI) / 180));
      } else place.premultiply(new THREE.Matrix4().makeTranslation(0, 0, this.cut.at));
      this.face.matrix.copy(place);
      this.face.matrixWorldNeedsUpdate = true;
      this.face.visible = true;
    }
    this.changed();
  }

  /** Height of the crystal's top above its middle, micrometres. */
  get top(): number {
    return this.extent().half;
  }

  setColour(by: ColourBy): void {
    this.by = by;
    this.paint();
    this.rebuild();
    this.changed();
  }

  setTheme(theme: Theme): void {
    this.theme = theme;
    this.uniforms.map.value.dispose();
    this.uniforms.map.value = colourTexture(theme);
    const look = LOOKS[theme];
    this.ice.matcap?.dispose();
    this.ice.matcap = this.behind.matcap = litBall(look);
    this.ice.needsUpdate = this.behind.needsUpdate = true;
    this.inside.color.set(look.cut);
    this.outline.color.set(look.line);
    this.rebuild();
    this.changed();
  }

  /** Leave the ground clear, so that a photograph beneath shows. */
  setTransparent(on: boolean): void {
    this.transparent = on;
    this.changed();
  }

  /** Cut the crystal open: upright through its axis at an azimuth in degrees, or level at a height in micrometres. */
  setCut(kind: CutKind, at: number): void {
    this.cut = { kind, at };
    this.setSection(null);
    this.placeCut();
    this.rebuild();
    this.changed();
  }

  look(view: View): void {
    const far = 5000;
    const tilt = { plan: 1e-4, side: Math.PI / 2, end: Math.PI / 2, tilted: 0.95 }[view];
    const from = { plan: -Math.PI / 2, side: -Math.PI / 2, end: 0, tilted: -Math.PI / 2 + 0.42 }[view];
    this.controls.target.set(0, 0, 0);
    this.camera.position.set(
      far * Math.sin(tilt) * Math.cos(from),
      far * Math.sin(tilt) * Math.sin(from),
      far * Math.cos(tilt),
    );
    this.controls.update();
    this.changed();
  }

  /** Turn about c and tilt, in radians. */
  turn(about: number, tilt: number): void {
    const eye = new THREE.Spherical();
    const up = new THREE.Quaternion().setFromUnitVectors(this.camera.up, new THREE.Vector3(0, 1, 0));
    const away = this.camera.position.clone().sub(this.controls.target).applyQuaternion(up);
    eye.setFromVector3(away);
    eye.theta += about;
    eye.phi = Math.min(Math.PI - 1e-4, Math.max(1e-4, eye.phi + tilt));
    away.setFromSpherical(eye).applyQuaternion(up.invert());
    this.camera.position.copy(this.controls.target).add(away);
    this.controls.update();
    this.changed();
  }

  zoom(factor: number): void {
    this.follow = false;
    this.camera.zoom = Math.min(60, Math.max(0.05, this.camera.zoom * factor));
    this.camera.updateProjectionMatrix();
    this.changed();
  }

  /** Bring the whole crystal back into the view, and keep it there while it grows. */
  fit(): void {
    this.follow = true;
    this.camera.zoom = 1;
    this.controls.target.set(0, 0, 0);
    this.controls.update();
    this.halfHeight = 0;
    this.fitIfFollowing();
    this.changed();
  }

  /** Make room for something of this reach from the centre, in micrometres, and stay there. */
  fitTo(reach: number): void {
    this.follow = false;
    this.halfHeight = reach * FIT;
    this.resize();
  }

  // -- inside ------------------------------------------------------------------------------------------

  private extent(): { radius: number; half: number } {
    const p = this.surface?.positions;
    let radius = 0;
    let half = 0;
    if (p) {
      for (let i = 0; i < p.length; i += 3) {
        radius = Math.max(radius, p[i] * p[i] + p[i + 1] * p[i + 1]);
        half = Math.max(half, Math.abs(p[i + 2]));
      }
    }
    return { radius: Math.sqrt(radius), half };
  }

  private fitIfFollowing(): void {
    if (!this.follow || !this.surface) return;
    const { radius, half } = this.extent();
    const aspect = this.host.clientWidth / Math.max(1, this.host.clientHeight);
    const reach = FIT * Math.max(Math.max(radius, half), Math.max(radius, half) / Math.max(aspect, 0.2));
    // In steps, so that the scale does not creep with every mesh.
    if (reach > this.halfHeight || reach < this.halfHeight / 2.2) {
      this.halfHeight = reach * 1.18;
      this.resize();
    }
  }

  private paint(): void {
    const s = this.surface;
    if (!s) return;
    const raw = this.by === "thickness" ? s.thickness : s.age;
    let high = 0;
    for (let i = 0; i < raw.length; i++) if (raw[i] > high) high = raw[i];
    const scaled = new Float32Array(raw.length);
    for (let i = 0; i < raw.length; i++) scaled[i] = high > 0 ? raw[i] / high : 0;
    this.geometry.setAttribute("aValue", new THREE.BufferAttribute(scaled, 1));
    this.geometry.setAttribute("color", new THREE.BufferAttribute(shading(s.thickness), 3));
    const rings = this.by === "age" && high > 0 ? ringStep(high) : 0;
    this.uniforms.rings.value = rings > 0 ? high / rings : 0;
    this.legend = { low: 0, high, rings };
    this.onLegend(this.legend);
  }

  private placeCut(): void {
    const { kind, at } = this.cut;
    const turn = (at * Math.PI) / 180;
    if (kind === "upright") this.clip.set(new THREE.Vector3(-Math.sin(turn), Math.cos(turn), 0), 0);
    else if (kind === "level") this.clip.set(new THREE.Vector3(0, 0, -1), at);
    else this.clip.set(new THREE.Vector3(0, 1, 0), 1e9);
  }

  private rebuild(): void {
    for (const child of [...this.body.children]) {
      (child as THREE.InstancedMesh).dispose?.();
      this.body.remove(child);
    }
    const s = this.surface;
    if (!s) return;
    this.placeCut();
    const places = turns(s.copies);
    const cutting = this.cut.kind !== "none";
    const passes: [THREE.Material, number][] = [];
    if (cutting) passes.push([this.inside, 0]);
    else if (this.by === "ice" && this.quality === "high") passes.push([this.behind, 2]);
    passes.push([this.by === "ice" ? this.ice : this.mapped, 1]);
    for (const mirror of mirrors(s.mirrored)) {
      for (const [material, order] of passes) {
        const mesh = new THREE.InstancedMesh(this.geometry, material, places.length);
        places.forEach((m, i) => mesh.setMatrixAt(i, m));
        mesh.scale.copy(mirror);
        mesh.frustumCulled = false;
        mesh.renderOrder = order;
        this.body.add(mesh);
      }
    }
  }

  private resize(): void {
    const w = Math.max(1, this.host.clientWidth);
    const h = Math.max(1, this.host.clientHeight);
    this.renderer.setSize(w, h, true);
    const half = this.halfHeight || 20;
    this.uniforms.near.value = NEAR / half;
    this.camera.top = half;
    this.camera.bottom = -half;
    this.camera.left = (-half * w) / h;
    this.camera.right = (half * w) / h;
    this.camera.updateProjectionMatrix();
    this.changed();
  }

  private changed(): void {
    const h = Math.max(1, this.host.clientHeight);
    const scale = (h * this.camera.zoom) / (this.camera.top - this.camera.bottom);
    if (Math.abs(scale / this.pixelsPerUm - 1) > 1e-6) {
      this.pixelsPerUm = scale;
      this.onScale(scale);
    }
    this.onSight(this.sight());
    if (!this.pending && this.drawing) this.pending = requestAnimationFrame(() => this.draw());
  }

  sight(): Sight {
    const px = this.pixelsPerUm;
    this.camera.updateMatrixWorld();
    const e = this.camera.matrixWorldInverse.elements; // columns: what x, y, z and the middle are to the eye
    return {
      pixelsPerUm: px,
      ax: e[0] * px,
      ay: -e[1] * px,
      bx: e[4] * px,
      by: -e[5] * px,
      cx: e[8] * px,
      cy: -e[9] * px,
      x: e[12] * px,
      y: -e[13] * px,
    };
  }

  private draw(): void {
    this.pending = 0;
    this.renderer.setClearColor(LOOKS[this.theme].clear, this.transparent ? 0 : 1);
    this.renderer.render(this.scene, this.camera);
  }
}


/** Thin ice darker, thick ice lighter, as against a dark ground: ridges on a flat face show from straight above. */
function shading(thickness: Float32Array): Float32Array<ArrayBuffer> {
  let most = 0;
  for (let i = 0; i < thickness.length; i++) if (thickness[i] > most) most = thickness[i];
  const out = new Float32Array(thickness.length * 3);
  for (let i = 0; i < thickness.length; i++) out.fill(most > 0 ? 0.45 + 0.85 * (thickness[i] / most) : 1, 3 * i, 3 * i + 3);
  return out;
}
