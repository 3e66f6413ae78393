// An MQTT 3.1.1 broker made with aedes, which does not speak version 5. usage: node aedes.mjs PORT
import { createServer } from 'node:net'
import { createRequire } from 'node:module'

const { Aedes } = createRequire(process.cwd() + '/')('aedes')
const broker = await Aedes.createBroker()
createServer(broker.handle).listen(Number(process.argv[2]), '127.0.0.1')
