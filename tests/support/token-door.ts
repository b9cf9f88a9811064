/** The address that assertions of tests are made out to. */
export const tokenDoor = "https://gate.test/auth/token";
