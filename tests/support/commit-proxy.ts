import { connect, createServer, type Socket } from "node:net";

/** Stands between a process and PostgreSQL, and can keep the word of a commit from it. */
export interface CommitProxy {
  /** The connection string with this way to the database. */
  readonly connectionString: string;
  /**
   * Resolves when the next transaction that raised a notice of this text has been committed. The process is never told: nothing goes
   * to it any more on that connection.
   */
  withholdCommitAfter(notice: string): Promise<void>;
  close(): void;
}

/** Opens it on a free port of this machine, for a database that speaks without TLS. */
export async function commitProxy(connectionString: string): Promise<CommitProxy> {
  const url = new URL(connectionString);
  const behind = { port: Number(url.port), host: url.hostname };
  const sockets = new Set<Socket>();
  let armed: { readonly notice: string; readonly done: () => void } | undefined;
  const server = createServer((client) => {
    const database = connect(behind);
    for (const socket of [client, database]) {
      sockets.add(socket);
      socket.on("error", () => undefined);
      socket.on("close", () => sockets.delete(socket));
    }
    client.pipe(database);
    client.on("close", () => database.destroy());
    let noticed = false;
    let withheld = false;
    database.on("data", (chunk: Buffer) => {
      if (armed !== undefined && chunk.includes(armed.notice)) noticed = true;
      // CommandComplete of a commit (PostgreSQL manual, 54.7): the transaction stands from here on.
      if (noticed && armed !== undefined && chunk.includes("COMMIT\0")) {
        withheld = true;
        armed.done();
        armed = undefined;
      }
      if (!withheld) client.write(chunk);
    });
    database.on("close", () => client.destroy());
  });
  await new Promise<void>((resolve) => server.listen(0, "127.0.0.1", resolve));
  url.hostname = "127.0.0.1";
  url.port = String((server.address() as { port: number }).port);
  return {
    connectionString: url.toString(),
    withholdCommitAfter: (notice) =>
      new Promise((done) => {
        armed = { notice, done };
      }),
    close: () => {
      server.close();
      for (const socket of sockets) socket.destroy();
    },
  };
}
