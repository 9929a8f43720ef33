/** Shapes of designs, by the names of PROTOCOL.md; made from the server's own description of them. */
import type { Of } from "./types";

export type TargetDraft = Of<"TargetDraft">;
export type StageDraft = Of<"StageDraft">;
export type Span = [number, number];
export type TargetView = Of<"TargetView">;
export type TargetWords = Of<"TargetWords">;
export type Portrait = Of<"PortraitShape">;
export type OutlineKept = Of<"OutlineKept">;
export type Design = Of<"Design">;
export type DesignBrief = Of<"DesignBrief">;
export type DesignBest = Of<"DesignBest">;
