import { type AddressInfo, createServer, type Server, type Socket } from "node:net";
import { createServer as createTlsServer } from "node:tls";
import { type ConnectionLimits, type MllpConnection, type MllpDoors, openConnection } from "./connection.ts";

/** Where and how messages are listened for. */
export interface MllpOptions extends ConnectionLimits {
  readonly host: string;
  /** 0 takes any free one. */
  readonly port: number;
  readonly maxConnections: number;
  /** Absent for plain TCP; with `clientCa` only senders whose certificate it vouches for are let in. */
  readonly tls?: { readonly certificate: string; readonly key: string; readonly clientCa?: string };
}

/** A listener that is open. */
export interface MllpListener {
  readonly port: number;
  /** Lets nobody in any more, finishes the messages that are on their way in, and ends every connection. */
  close(): Promise<void>;
}

/** Listens for HL7 v2 messages over MLLP. Rejects where the port is taken. */
export async function listenMllp(doors: MllpDoors, options: MllpOptions): Promise<MllpListener> {
  const connections = new Set<MllpConnection>();
  const open = (socket: Socket) => {
    socket.setNoDelay(true);
    const connection = openConnection(socket, doors, options);
    connections.add(connection);
    void connection.done.finally(() => connections.delete(connection));
  };
  const server = serverOf(options, open);
  // One more is closed as it comes: it would only wait.
  server.maxConnections = options.maxConnections;
  await new Promise<void>((resolve, reject) => {
    server.once("error", reject);
    server.listen(options.port, options.host, resolve);
  });
  server.on("error", (error) => doors.service.log.error({ code: (error as { code?: string }).code }, "MLLP listener"));
  return {
    port: (server.address() as AddressInfo).port,
    close: async () => {
      const closed = new Promise<void>((resolve) => server.close(() => resolve()));
      for (const connection of connections) connection.stop();
      await Promise.all([...connections].map(({ done }) => done));
      await closed;
    },
  };
}

function serverOf({ tls }: MllpOptions, open: (socket: Socket) => void): Server {
  // A sender that has said all that it has to say, and says so, is answered all the same.
  const halfOpen = { allowHalfOpen: true };
  if (tls === undefined) return createServer(halfOpen, open);
  const { certificate, key, clientCa } = tls;
  const asked = clientCa === undefined ? {} : { ca: clientCa, requestCert: true, rejectUnauthorized: true };
  // What fails in the handshake is the sender's affair; without a listener it would end nothing, and with one it is not noise.
  return createTlsServer({ cert: certificate, key, ...asked, ...halfOpen }, open).on("tlsClientError", () => undefined);
}
