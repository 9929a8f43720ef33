/** One door to the server: every answer is its JSON, every refusal an ApiError that says what to do. */
import type { ErrorShape } from "./types";

export class ApiError extends Error {
  constructor(
    readonly status: number,
    readonly shape: ErrorShape,
  ) {
    super(shape.message);
  }

  /** All of it in one sentence or two. */
  get words(): string {
    const { message, got, wanted, do: mend } = this.shape;
    const parts = [message];
    if (got) parts.push(`Got: ${got}.`);
    if (wanted) parts.push(`Wanted: ${wanted}.`);
    if (mend) parts.push(`Try: ${mend}`);
    return parts.filter(Boolean).join(" ");
  }
}

/** Beside the page, wherever it is served from. */
export function address(path: string): string {
  const { pathname, search } = new URL(`api/${path}`, document.baseURI);
  return pathname + search;
}

export async function ask<T>(path: string, body?: unknown, method?: string): Promise<T> {
  const answer = await reach(path, body, method);
  if (answer.status === 204) return undefined as T;
  return (await answer.json()) as T;
}

export async function askBytes(path: string): Promise<ArrayBuffer> {
  return (await reach(path)).arrayBuffer();
}

async function reach(path: string, body?: unknown, method?: string): Promise<Response> {
  const form = body instanceof FormData;
  let answer: Response;
  try {
    answer = await fetch(address(path), {
      method: method ?? (body === undefined ? "GET" : "POST"),
      headers: body === undefined || form ? {} : { "content-type": "application/json" },
      body: body === undefined ? undefined : form ? body : JSON.stringify(body),
    });
  } catch {
    throw new ApiError(0, shape("The bench does not answer.", "Is `icewright bench` still running in its terminal?"));
  }
  if (!answer.ok) throw new ApiError(answer.status, await errorOf(answer));
  return answer;
}

async function errorOf(answer: Response): Promise<ErrorShape> {
  try {
    const told = (await answer.json()) as { error?: ErrorShape };
    if (told.error) return told.error;
  } catch {
    // Not JSON: a proxy or a crash; the status is all there is to say.
  }
  return shape(`The bench answered ${answer.status} ${answer.statusText}.`, "");
}

function shape(message: string, mend: string): ErrorShape {
  return { kind: "Unreachable", message, got: "", wanted: "", do: mend };
}
