import type { EpochMs } from "./time.ts";

/** What a message says of one element: nothing (undefined), that it is to be taken away (null), or its value. */
export type Said<T> = T | null | undefined;

/** Who gave an identifier, as a message names it: a local name, or an id that is unique everywhere with its kind. */
export interface ReceivedAuthority {
  readonly namespace?: string;
  readonly universalId?: string;
  /** Such as ISO, UUID, URI, EUI-64. */
  readonly universalIdType?: string;
}

/** An identifier as received. */
export interface ReceivedIdentifier {
  readonly value: string;
  readonly authority: ReceivedAuthority;
  /** Of HL7 table 0203, such as MR. */
  readonly typeCode?: string;
  /** `PID-3[2]`: where it stood. */
  readonly at: string;
}

/** A name as received; the kind is a code of HL7 table 0200. */
export interface ReceivedName {
  readonly kind?: string;
  readonly family?: string;
  readonly given: readonly string[];
  readonly prefix?: string;
  readonly suffix?: string;
}

/** An address as received; the kind is a code of HL7 table 0190. */
export interface ReceivedAddress {
  readonly kind?: string;
  readonly lines: readonly string[];
  readonly city?: string;
  readonly district?: string;
  readonly state?: string;
  readonly postalCode?: string;
  readonly country?: string;
}

/** A number or mail address as received: codes of HL7 tables 0201 and 0202. */
export interface ReceivedTelecom {
  readonly value: string;
  readonly use?: string;
  readonly equipment?: string;
  /** What the field itself says of it, where no code does. */
  readonly fieldUse: "home" | "work" | "none";
}

/** A code with what goes beside it, as received. */
export interface ReceivedCode {
  readonly code?: string;
  readonly text?: string;
  readonly system?: string;
}

/** A person as a message tells of them. */
export interface ReceivedPerson {
  readonly identifiers: readonly ReceivedIdentifier[];
  readonly names: Said<readonly ReceivedName[]>;
  /** `dateTime` where the time of birth was told as well. */
  readonly birth: Said<{ readonly date: string; readonly dateTime?: string }>;
  /** A code of HL7 table 0001. */
  readonly sex: Said<string>;
  readonly addresses: Said<readonly ReceivedAddress[]>;
  readonly telecoms: Said<readonly ReceivedTelecom[]>;
  readonly language: Said<ReceivedCode>;
  readonly maritalStatus: Said<ReceivedCode>;
  /** FHIR dateTime. */
  readonly diedAt: Said<string>;
  readonly isDead: Said<boolean>;
}

/** A stay or visit as a message tells of it. */
export interface ReceivedVisit {
  /** A code of HL7 table 0004. */
  readonly patientClass?: string;
  readonly visitNumber?: ReceivedIdentifier;
  /** FHIR dateTime. */
  readonly admittedAt: Said<string>;
  readonly dischargedAt: Said<string>;
}

/** When something happened, and when the message of it was made. */
export interface ReceivedMoment {
  readonly text: string;
  readonly ms: EpochMs;
}
