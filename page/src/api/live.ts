/** The socket: frames and events in, commands out; comes back by itself after sleep, a reload or a restart. */
import { ApiError, address } from "./client";
import { type Frame, FrameReader } from "./frames";
import type { ErrorShape } from "./types";

export type Command = "turn" | "pace" | "step" | "go";

interface Waiting {
  resolve: (answer: unknown) => void;
  reject: (error: ApiError) => void;
}

export interface Listener {
  onFrame: (frame: Frame) => void;
  onEvent: (name: string, is: unknown) => void;
  onLink: (up: boolean) => void;
}

const LOST: ErrorShape = { kind: "Unreachable", message: "The link to the bench was lost.", got: "", wanted: "", do: "" };

export class Live {
  private socket: WebSocket | null = null;
  private reader = new FrameReader();
  private next = 1;
  private tries = 0;
  private timer = 0;
  private closed = false;
  private readonly waiting = new Map<number, Waiting>();

  constructor(
    private readonly id: string,
    private readonly to: Listener,
  ) {
    this.open();
    document.addEventListener("visibilitychange", this.wake);
    window.addEventListener("online", this.wake);
  }

  get up(): boolean {
    return this.socket?.readyState === WebSocket.OPEN;
  }

  /** Send a command; its answer, or an ApiError. */
  say<T>(what: Command, body: object): Promise<T> {
    if (!this.up) return Promise.reject(new ApiError(0, LOST));
    const id = this.next++;
    this.socket?.send(JSON.stringify({ do: what, id, ...body }));
    return new Promise<T>((resolve, reject) => this.waiting.set(id, { resolve: resolve as Waiting["resolve"], reject }));
  }

  close(): void {
    this.closed = true;
    window.clearTimeout(this.timer);
    document.removeEventListener("visibilitychange", this.wake);
    window.removeEventListener("online", this.wake);
    this.socket?.close();
  }

  private readonly wake = (): void => {
    if (document.visibilityState === "visible" && !this.closed && this.socket?.readyState === WebSocket.CLOSED) this.open();
  };

  private open(): void {
    window.clearTimeout(this.timer);
    const url = new URL(address(`sessions/${this.id}/live`), location.href);
    url.protocol = url.protocol === "https:" ? "wss:" : "ws:";
    const socket = new WebSocket(url);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    this.reader = new FrameReader();
    socket.onopen = () => {
      this.tries = 0;
      this.to.onLink(true);
    };
    socket.onmessage = (message: MessageEvent) => {
      if (message.data instanceof ArrayBuffer) this.takeFrame(message.data);
      else this.takeEvent(String(message.data));
    };
    socket.onclose = () => {
      if (socket !== this.socket) return;
      for (const w of this.waiting.values()) w.reject(new ApiError(0, LOST));
      this.waiting.clear();
      this.to.onLink(false);
      if (this.closed) return;
      this.tries += 1;
      this.timer = window.setTimeout(() => this.open(), Math.min(5000, 200 * 2 ** this.tries));
    };
  }

  private takeFrame(data: ArrayBuffer): void {
    const number = new DataView(data).getUint32(16, true);
    try {
      this.to.onFrame(this.reader.read(data));
    } finally {
      // Also after a bad frame: without an answer no more would come.
      if (this.up) this.socket?.send(JSON.stringify({ ack: number }));
    }
  }

  private takeEvent(text: string): void {
    const told = JSON.parse(text) as { event: string; is?: unknown; id?: number; answer?: unknown; error?: ErrorShape };
    if (told.event === "done" && told.id !== undefined) {
      const waiting = this.waiting.get(told.id);
      this.waiting.delete(told.id);
      if (told.error) waiting?.reject(new ApiError(400, told.error));
      else waiting?.resolve(told.answer);
    } else this.to.onEvent(told.event, told.is);
  }
}
