/** Bytes as they came through the door. */
export interface ArrivedUpload {
  readonly bytes: Uint8Array;
  readonly contentType: string;
  readonly contentEncoding: string;
}

/** Corrections a person makes when an upload is replayed; what they leave out stands as received. */
export interface Mending {
  readonly readAt?: string;
  readonly deviceClockAtReading?: string;
}

/** An upload that is kept already, on its way (again) through reading, matching and storing. */
export interface KeptUpload extends ArrivedUpload {
  readonly uploadId: string;
  readonly limits: { readonly maxBytes: number };
  readonly mending?: Mending;
  /** Whether it was tried before: what waited for mending may be settled now. */
  readonly again: boolean;
}
